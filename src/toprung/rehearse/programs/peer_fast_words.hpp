// The words of the Fast DDS peer's spec, and the QoS that they mean.
#pragma once

#include <map>
#include <memory>
#include <sstream>
#include <string>
#include <vector>

#include <fastdds/dds/domain/qos/DomainParticipantQos.hpp>
#include <fastdds/dds/publisher/qos/DataWriterQos.hpp>
#include <fastdds/dds/subscriber/qos/DataReaderQos.hpp>
#include <fastdds/rtps/transport/UDPv4TransportDescriptor.h>
#include <fastrtps/utils/IPLocator.h>

using namespace eprosima::fastdds::dds;
using namespace eprosima::fastrtps::rtps;
using eprosima::fastrtps::Duration_t;
using Words = std::map<std::string, std::string>;

static Words words(std::istringstream& line)
{
    Words found;
    for (std::string pair; line >> pair;)
    {
        auto cut = pair.find('=');
        found[pair.substr(0, cut)] = cut == std::string::npos ? "" : pair.substr(cut + 1);
    }
    return found;
}

static std::vector<std::string> parts(const std::string& list)
{
    std::vector<std::string> found;
    std::istringstream in(list);
    for (std::string one; std::getline(in, one, ',');) if (!one.empty()) found.push_back(one);
    return found;
}

static std::string get(const Words& w, const std::string& key, const std::string& other = "")
{
    auto at = w.find(key);
    return at == w.end() || at->second.empty() ? other : at->second;
}

static double number(const Words& w, const std::string& key, double other)
{
    return std::stod(get(w, key, std::to_string(other)));
}

template <class Q>
static void endpoint_qos(Q& q, const Words& w, int depth)
{
    q.reliability().kind =
            get(w, "reliability") == "reliable" ? RELIABLE_RELIABILITY_QOS : BEST_EFFORT_RELIABILITY_QOS;
    static const std::map<std::string, DurabilityQosPolicyKind> kept{
        {"volatile", VOLATILE_DURABILITY_QOS}, {"transient_local", TRANSIENT_LOCAL_DURABILITY_QOS},
        {"transient", TRANSIENT_DURABILITY_QOS}, {"persistent", PERSISTENT_DURABILITY_QOS}};
    q.durability().kind = kept.at(get(w, "durability", "volatile"));
    q.history().kind = KEEP_LAST_HISTORY_QOS;
    q.history().depth = int(number(w, "depth", depth));
    q.resource_limits().max_samples = 5000;
    q.resource_limits().max_samples_per_instance = 5000;
    q.resource_limits().allocated_samples = 1;
    q.endpoint().history_memory_policy = PREALLOCATED_WITH_REALLOC_MEMORY_MODE;
    if (w.count("deadline")) q.deadline().period = Duration_t(number(w, "deadline", 0));
    if (w.count("latency_budget")) q.latency_budget().duration = Duration_t(number(w, "latency_budget", 0));
    if (w.count("liveliness"))
    {
        static const std::map<std::string, LivelinessQosPolicyKind> kinds{
            {"automatic", AUTOMATIC_LIVELINESS_QOS},
            {"manual_by_participant", MANUAL_BY_PARTICIPANT_LIVELINESS_QOS},
            {"manual_by_topic", MANUAL_BY_TOPIC_LIVELINESS_QOS}};
        q.liveliness().kind = kinds.at(get(w, "liveliness"));
        if (w.count("liveliness_lease"))
        {
            q.liveliness().lease_duration = Duration_t(number(w, "liveliness_lease", 1));
            q.liveliness().announcement_period = Duration_t(number(w, "liveliness_lease", 1) / 2);
        }
    }
    if (get(w, "ownership") == "exclusive") q.ownership().kind = EXCLUSIVE_OWNERSHIP_QOS;
    if (get(w, "destination_order") == "by_source_timestamp")
        q.destination_order().kind = BY_SOURCE_TIMESTAMP_DESTINATIONORDER_QOS;
}

static DataRepresentationQosPolicy representation(const Words& w)
{
    DataRepresentationQosPolicy policy;
    for (auto& one : parts(get(w, "representation")))
        policy.m_value.push_back(one == "xcdr2" ? XCDR2_DATA_REPRESENTATION : XCDR_DATA_REPRESENTATION);
    return policy;
}

template <class Q>
static void group_qos(Q& q, const Words& w)
{
    for (auto& name : parts(get(w, "partition"))) q.partition().push_back(name.c_str());
    static const std::map<std::string, PresentationQosPolicyAccessScopeKind> scopes{
        {"instance", INSTANCE_PRESENTATION_QOS}, {"topic", TOPIC_PRESENTATION_QOS}, {"group", GROUP_PRESENTATION_QOS}};
    q.presentation().access_scope = scopes.at(get(w, "access_scope", "instance"));
    q.presentation().coherent_access = w.count("coherent") != 0;
    q.presentation().ordered_access = w.count("ordered") != 0;
}

static Locator_t udp(const std::string& address, uint32_t port)
{
    Locator_t locator;
    IPLocator::setIPv4(locator, address);
    locator.port = port;
    return locator;
}

static DomainParticipantQos participant_qos(const Words& w)
{
    DomainParticipantQos q;
    q.name(get(w, "name", "peer").c_str());
    auto& wire = q.wire_protocol();
    auto& discovery = wire.builtin.discovery_config;
    if (w.count("lease"))
    {
        discovery.leaseDuration = Duration_t(number(w, "lease", 20));
        discovery.leaseDuration_announcementperiod = Duration_t(number(w, "announce", 3));
    }
    if (!get(w, "interfaces").empty())
    {
        auto transport = std::make_shared<eprosima::fastdds::rtps::UDPv4TransportDescriptor>();
        for (auto& address : parts(get(w, "interfaces"))) transport->interfaceWhiteList.push_back(address);
        q.transport().use_builtin_transports = false;
        q.transport().user_transports.push_back(transport);
    }
    if (get(w, "ttl") != "")
    {
        auto transport = std::make_shared<eprosima::fastdds::rtps::UDPv4TransportDescriptor>();
        transport->TTL = uint8_t(number(w, "ttl", 1));
        q.transport().use_builtin_transports = false;
        q.transport().user_transports.push_back(transport);
    }
    if (get(w, "mode") == "peers")
    {
        wire.builtin.metatrafficUnicastLocatorList.push_back(udp("0.0.0.0", 0));
        for (auto& address : parts(get(w, "peers")))
        {
            auto cut = address.find(':');
            wire.builtin.initialPeersList.push_back(cut == std::string::npos
                    ? udp(address, 0) : udp(address.substr(0, cut), uint32_t(std::stoul(address.substr(cut + 1)))));
        }
    }
    if (get(w, "mode") == "server")
    {
        auto server = get(w, "server");
        auto cut = server.find(':');
        RemoteServerAttributes remote;
        remote.ReadguidPrefix("44.53.00.5f.45.50.52.4f.53.49.4d.41");
        remote.metatrafficUnicastLocatorList.push_back(
            udp(server.substr(0, cut), uint32_t(std::stoul(server.substr(cut + 1)))));
        discovery.discoveryProtocol = DiscoveryProtocol_t::CLIENT;
        discovery.m_DiscoveryServers.push_back(remote);
    }
    for (auto& address : parts(get(w, "locators")))
    {
        wire.builtin.metatrafficUnicastLocatorList.push_back(udp(address, 0));
        wire.default_unicast_locator_list.push_back(udp(address, 0));
    }
    if (w.count("locators"))
        wire.builtin.metatrafficMulticastLocatorList.push_back(
            udp("239.255.0.1", 7400 + 250 * uint32_t(number(w, "domain", 0))));
    if (w.count("index")) wire.participant_id = int32_t(number(w, "index", 0));
    if (!get(w, "prefix").empty()) std::istringstream(get(w, "prefix")) >> wire.prefix;
    return q;
}
