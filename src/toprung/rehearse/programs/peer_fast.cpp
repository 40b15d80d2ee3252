// One DomainParticipant on Fast DDS 2.9: writes and reads as its spec says, and counts.
//
//   peer_fast SPEC RESULT.json
//
// SPEC has one line for the participant and one for each endpoint, of words key=value (lists with commas):
//   participant name=pilot domain=0 seconds=9 mode=multicast peers= server= interfaces= locators= prefix= lease=
//   writer topic=cart1/odom type=nursery::Odom layout=Ldds size=720 rate=20 reliability=reliable ...
//   reader topic=...
// The type is a layout of letters (L uint32, f float, d double, s string), encoded by hand as plain CDR:
// no code generator is needed.  The result is rewritten twice a second, so that it survives a kill.
#include <atomic>
#include <chrono>
#include <csignal>
#include <cstring>
#include <fstream>
#include <iostream>
#include <memory>
#include <mutex>
#include <set>
#include <sstream>
#include <thread>
#include <vector>

#include <fastdds/dds/domain/DomainParticipant.hpp>
#include <fastdds/dds/domain/DomainParticipantFactory.hpp>
#include <fastdds/dds/publisher/DataWriter.hpp>
#include <fastdds/dds/publisher/DataWriterListener.hpp>
#include <fastdds/dds/publisher/Publisher.hpp>
#include <fastdds/dds/subscriber/DataReader.hpp>
#include <fastdds/dds/subscriber/DataReaderListener.hpp>
#include <fastdds/dds/subscriber/SampleInfo.hpp>
#include <fastdds/dds/subscriber/Subscriber.hpp>
#include <fastdds/dds/topic/TopicDataType.hpp>

#include "peer_fast_words.hpp"

using Bytes = std::vector<uint8_t>;
using Clock = std::chrono::steady_clock;

static std::atomic<bool> keep{true};

// Plain CDR, little endian: alignment counts from behind the 4-byte header.
static Bytes encode(const std::string& layout, size_t size, uint32_t counter)
{
    Bytes out{0, 1, 0, 0};
    auto align = [&](size_t n) { while ((out.size() - 4) % n) out.push_back(0); };
    auto put = [&](const void* from, size_t n) {
        align(n);
        auto p = static_cast<const uint8_t*>(from);
        out.insert(out.end(), p, p + n);
    };
    bool first = true;
    for (char kind : layout)
    {
        double zero = 0;
        uint32_t value = first ? counter : 0;
        if (kind == 'd') put(&zero, 8);
        else if (kind == 's')
        {
            align(4);
            uint32_t length = size > out.size() + 5 ? uint32_t(size - out.size() - 4) : 2;
            put(&length, 4);
            out.insert(out.end(), length - 1, 'x');
            out.push_back(0);
        }
        else put(&value, 4);
        first = false;
    }
    return out;
}

class Blob : public TopicDataType
{
public:
    Blob(const std::string& name, uint32_t most)
    {
        setName(name.c_str());
        m_typeSize = most;
        m_isGetKeyDefined = false;
    }
    bool serialize(void* data, SerializedPayload_t* payload) override
    {
        auto& bytes = *static_cast<Bytes*>(data);
        std::memcpy(payload->data, bytes.data(), bytes.size());
        payload->length = uint32_t(bytes.size());
        payload->encapsulation = CDR_LE;
        return true;
    }
    bool deserialize(SerializedPayload_t* payload, void* data) override
    {
        static_cast<Bytes*>(data)->assign(payload->data, payload->data + payload->length);
        return true;
    }
    std::function<uint32_t()> getSerializedSizeProvider(void* data) override
    {
        return [data] { return uint32_t(static_cast<Bytes*>(data)->size()); };
    }
    void* createData() override { return new Bytes; }
    void deleteData(void* data) override { delete static_cast<Bytes*>(data); }
    bool getKey(void*, InstanceHandle_t*, bool) override { return false; }
};

struct Count
{
    Words words;
    std::atomic<uint64_t> samples{0};
    std::atomic<int> matched{0};
    std::mutex lock;
    std::set<int> policies;
    void refused(int id)
    {
        std::lock_guard<std::mutex> hold(lock);
        policies.insert(id);
    }
};

struct Reading : DataReaderListener, Count
{
    DataReader* reader = nullptr;
    void on_data_available(DataReader* from) override
    {
        Bytes sample;
        SampleInfo info;
        while (from->take_next_sample(&sample, &info) == ReturnCode_t::RETCODE_OK)
            if (info.valid_data) ++samples;
    }
    void on_subscription_matched(DataReader*, const SubscriptionMatchedStatus& s) override
    {
        matched = std::max(matched.load(), s.current_count);
    }
    void on_requested_incompatible_qos(DataReader*, const RequestedIncompatibleQosStatus& s) override
    {
        refused(s.last_policy_id);
    }
};

struct Writing : DataWriterListener, Count
{
    DataWriter* writer = nullptr;
    Clock::time_point due;
    void on_publication_matched(DataWriter*, const PublicationMatchedStatus& s) override
    {
        matched = std::max(matched.load(), s.current_count);
    }
    void on_offered_incompatible_qos(DataWriter*, const OfferedIncompatibleQosStatus& s) override
    {
        refused(s.last_policy_id);
    }
};

struct Peer
{
    Words self;
    DomainParticipant* participant = nullptr;
    std::map<std::string, Topic*> topics;
    std::vector<std::unique_ptr<Reading>> readers;
    std::vector<std::unique_ptr<Writing>> writers;

    Topic* topic(const Words& w)
    {
        auto name = get(w, "topic");
        if (!topics.count(name))
        {
            auto type = get(w, "type");
            if (participant->find_type(type).empty())
                TypeSupport(new Blob(type, uint32_t(number(w, "size", 0)) + 1000)).register_type(participant);
            topics[name] = participant->create_topic(name, get(w, "type"), TOPIC_QOS_DEFAULT);
        }
        return topics[name];
    }

    void add_writer(const Words& w)
    {
        auto one = std::make_unique<Writing>();
        one->words = w;
        PublisherQos group;
        group_qos(group, w);
        auto publisher = participant->create_publisher(group);
        auto q = DATAWRITER_QOS_DEFAULT;
        endpoint_qos(q, w, 16);
        q.representation() = representation(w);
        q.ownership_strength().value = uint32_t(number(w, "strength", 0));
        q.publish_mode().kind = number(w, "size", 0) > 60000 ? ASYNCHRONOUS_PUBLISH_MODE : SYNCHRONOUS_PUBLISH_MODE;
        one->due = Clock::now() + std::chrono::microseconds(long(1e6 * number(w, "begin", 0.2)));
        one->writer = publisher->create_datawriter(topic(w), q, one.get());
        if (!one->writer) std::cerr << "no writer for " << get(w, "topic") << "\n";
        else writers.push_back(std::move(one));
    }

    void add_reader(const Words& w)
    {
        auto one = std::make_unique<Reading>();
        one->words = w;
        SubscriberQos group;
        group_qos(group, w);
        auto subscriber = participant->create_subscriber(group);
        auto q = DATAREADER_QOS_DEFAULT;
        endpoint_qos(q, w, 200);
        q.type_consistency().representation = representation(w);
        one->reader = subscriber->create_datareader(topic(w), q, one.get());
        if (!one->reader) std::cerr << "no reader for " << get(w, "topic") << "\n";
        else readers.push_back(std::move(one));
    }

    void write_due(Writing& one, Clock::time_point now)
    {
        auto& w = one.words;
        if (now < one.due || one.samples >= number(w, "count", 1e15)) return;
        if (!w.count("silent"))
        {
            auto bytes = encode(get(w, "layout"), size_t(number(w, "size", 100)), uint32_t(one.samples + 1));
            one.writer->write(&bytes);
            ++one.samples;
        }
        double rate = number(w, "rate", 0);
        one.due += std::chrono::microseconds(rate > 0 ? long(1e6 / rate) : 1000000000L);
        one.due = std::max(one.due, now - std::chrono::seconds(2));  // made up for
    }

    void note(const std::string& path)
    {
        std::ostringstream sent, received, matched, refused;
        auto add = [](std::ostringstream& to, const std::string& topic, const std::string& value) {
            to << (to.tellp() > 0 ? ", " : "") << '"' << topic << "\": " << value;
        };
        auto common = [&](Count& c) {
            add(matched, get(c.words, "topic"), std::to_string(c.matched));
            std::lock_guard<std::mutex> hold(c.lock);
            std::string ids;
            for (int id : c.policies) ids += (ids.empty() ? "" : ", ") + std::to_string(id);
            if (!ids.empty()) add(refused, get(c.words, "topic"), "[" + ids + "]");
        };
        for (auto& w : writers) { add(sent, get(w->words, "topic"), std::to_string(w->samples)); common(*w); }
        for (auto& r : readers) { add(received, get(r->words, "topic"), std::to_string(r->samples)); common(*r); }
        {
            std::ofstream out(path + ".part");
            out << "{\"sent\": {" << sent.str() << "}, \"received\": {" << received.str() << "}, \"matched\": {"
                << matched.str() << "}, \"incompatible\": {" << refused.str() << "}}\n";
        }
        std::rename((path + ".part").c_str(), path.c_str());
    }

    void run(const std::string& path)
    {
        auto end = Clock::now() + std::chrono::milliseconds(long(1e3 * number(self, "seconds", 10)));
        auto noted = Clock::now();
        for (auto now = Clock::now(); keep && now < end; now = Clock::now())
        {
            auto next = now + std::chrono::milliseconds(20);
            for (auto& w : writers)
            {
                write_due(*w, now);
                if (w->due > now) next = std::min(next, w->due);
            }
            if (now - noted > std::chrono::milliseconds(500)) { note(path); noted = now; }
            std::this_thread::sleep_until(next);
        }
        note(path);
    }
};

int main(int count, char** argv)
{
    if (count != 3) return 2;
    std::signal(SIGTERM, [](int) { keep = false; });
    std::ifstream in(argv[1]);
    Peer peer;
    for (std::string text; std::getline(in, text);)
    {
        std::istringstream line(text);
        std::string kind;
        line >> kind;
        auto w = words(line);
        if (kind == "participant")
        {
            peer.self = w;
            peer.participant = DomainParticipantFactory::get_instance()->create_participant(
                uint32_t(number(w, "domain", 0)), participant_qos(w));
            if (!peer.participant) { std::cerr << "no participant\n"; return 1; }
        }
        else if (kind == "writer") peer.add_writer(w);
        else if (kind == "reader") peer.add_reader(w);
    }
    peer.run(argv[2]);
    peer.participant->delete_contained_entities();
    DomainParticipantFactory::get_instance()->delete_participant(peer.participant);
    return 0;
}
