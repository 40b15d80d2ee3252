"""The site file's schema, version 1: what may stand where, and in which unit.

Pydantic stays here, at the door; `toprung.model.site` is what the rest of the house works with.
"""

from __future__ import annotations

from ipaddress import ip_address, ip_interface
from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    WithJsonSchema,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError

from toprung.model import site as nouns
from toprung.model import units
from toprung.model.qos import INFINITE
from toprung.model.units import Dimension, QuantityError, number_of, shortened

VERSION = 1
GREATEST_DOMAIN = 232  # DDSI-RTPS 2.5, 9.6.2.3: port base 7400 + 250 a domain; 233 would pass port 65535


def fault(says: str, right: str) -> PydanticCustomError:
    """A fault whose message says what would be right."""
    return PydanticCustomError("site", "{says}", {"says": says, "right": right})


def _quantity(dimension: Dimension) -> tuple[BeforeValidator, WithJsonSchema]:
    def parse(value: object) -> int | float:
        try:
            return number_of(value, dimension)
        except QuantityError as error:
            raise fault(error.what, error.right) from None

    unit = "|".join(u.replace("^", r"\^") for u in dimension.units)
    schema = {
        "type": "string",
        "pattern": rf"^\s*[+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\s*({unit})\s*$",
        "examples": [dimension.example],
    }
    return BeforeValidator(parse), WithJsonSchema(schema)


def _mtu(value: object) -> object:
    """An MTU is a count of bytes wherever networks are set up; so it may be a bare number here."""
    return f"{value} B" if isinstance(value, int) and not isinstance(value, bool) else value


def _spell_duration(value: object) -> object:
    if value == "infinite":
        return INFINITE
    try:
        return number_of(value, units.TIME)
    except QuantityError as error:
        raise fault(error.what, f"{error.right} or infinite") from None


def _listed(value: object) -> object:
    return value if isinstance(value, list) or value is None else [value]


def _one_or_list(item: dict[str, Any]) -> WithJsonSchema:
    return WithJsonSchema({"anyOf": [item, {"type": "array", "items": item}]})


def _address(value: object) -> object:
    try:
        if not isinstance(value, str) or "/" not in value:
            raise ValueError
        return ip_interface(value)
    except ValueError:
        raise fault(
            f'"{shortened(str(value))}" is not an address with its prefix length', "10.77.1.2/24"
        ) from None


def _host(value: object) -> object:
    try:
        if not isinstance(value, str):
            raise ValueError
        return str(ip_address(value))
    except ValueError:
        raise fault(f'"{shortened(str(value))}" is not an IP address', "10.77.2.21") from None


def _server(value: object) -> object:
    """address:port or [IPv6 address]:port"""
    host, colon, port = value.rpartition(":") if isinstance(value, str) else ("", "", "")
    if not colon or not port.isdecimal() or not 0 < int(port) < 65536:
        raise fault(f'"{shortened(str(value))}" is not address:port', "10.77.2.21:11811")
    return _host(host.removeprefix("[").removesuffix("]")), int(port)


def _shown(character: str) -> str:
    return f'"{character}"' if character.isprintable() else f"U+{ord(character):04X}"


def _named(what: str, forbidden: str, example: str) -> BeforeValidator:
    def check(value: object) -> object:
        if isinstance(value, int | float) and not isinstance(value, bool):
            value = str(value)
        if not isinstance(value, str):
            raise fault(f"{what} is needed here", example)
        bad = [c for c in value if c in forbidden or c.isspace() or not c.isprintable()]
        if not value or bad or len(value) > 255:
            why = f"{_shown(bad[0])} in it" if bad else f"{len(value)} characters"
            raise fault(f'"{shortened(value)}" is no {what}: {why}', example)
        return value

    return BeforeValidator(check)


_WITH_PREFIX = {"type": "string", "pattern": "/"}
_WITH_PORT = {"type": "string", "pattern": ":[0-9]+$"}
_TEXT = WithJsonSchema({"type": "string", "minLength": 1})
Rate = Annotated[float, *_quantity(units.RATE)]
BitRate = Annotated[float, *_quantity(units.BIT_RATE)]
Duration = Annotated[int, *_quantity(units.TIME)]
PolicyDuration = Annotated[int, BeforeValidator(_spell_duration), WithJsonSchema({"type": "string"})]
Size = Annotated[int, *_quantity(units.SIZE)]
Mtu = Annotated[Size, BeforeValidator(_mtu), WithJsonSchema({"type": ["integer", "string"], "minimum": 1})]
Share = Annotated[float, *_quantity(units.SHARE)]
Length = Annotated[float, *_quantity(units.LENGTH)]
Speed = Annotated[float, *_quantity(units.SPEED)]
Acceleration = Annotated[float, *_quantity(units.ACCELERATION)]
Watts = Annotated[float, *_quantity(units.POWER)]
WattHours = Annotated[float, *_quantity(units.ENERGY)]
Address = Annotated[nouns.Address, BeforeValidator(_address), WithJsonSchema(_WITH_PREFIX)]
Host = Annotated[str, BeforeValidator(_host), WithJsonSchema({"type": "string"})]
Server = Annotated[tuple[str, int], BeforeValidator(_server), WithJsonSchema(_WITH_PORT)]
MachineName = Annotated[str, _named("machine name", ".=[]", "base"), _TEXT]
Name = Annotated[str, _named("name", "", "driver"), _TEXT]
Names = Annotated[list[Name], BeforeValidator(_listed), _one_or_list({"type": "string"})]
Addresses = Annotated[list[Address], BeforeValidator(_listed), _one_or_list(_WITH_PREFIX)]
Partition = Annotated[str, _TEXT]
Partitions = Annotated[list[Partition], BeforeValidator(_listed), _one_or_list({"type": "string"})]
Count = Annotated[int, Field(ge=1, le=10_000_000)]
Exponent = Annotated[float, Field(ge=1, le=2)]


class Entry(BaseModel):
    """An entry of the file.  `shorthand` is the key that a bare value stands for."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
    shorthand: ClassVar[str | None] = None

    @model_validator(mode="before")
    @classmethod
    def _spell_out(cls, value: object) -> object:
        if cls.shorthand is not None and isinstance(value, str | int | float | list):
            return {cls.shorthand: value}
        return {} if value is None else value

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        schema = handler(core)
        if cls.shorthand is None:
            return schema
        whole = handler.resolve_ref_schema(schema)
        return {"anyOf": [whole["properties"][cls.shorthand], dict(whole)]}


class InterfaceEntry(Entry):
    shorthand = "address"
    address: Addresses = []
    mtu: Mtu | None = None


class BudgetEntry(Entry):
    participants: Count | None = None
    endpoints: Count | None = None
    messages: Rate | None = None


class MachineEntry(Entry):
    role: Annotated[nouns.Role | None, Field(strict=False)] = None
    interfaces: dict[Name, InterfaceEntry] = {}
    budget: BudgetEntry | None = None
    forwards: Annotated[list[Annotated[nouns.Pass, Field(strict=False)]], BeforeValidator(_listed)] = []


class LinkEntry(Entry):
    kind: Annotated[nouns.LinkKind, Field(strict=False)]
    joins: Annotated[list[Name], Field(min_length=2)]
    rate: BitRate | None = None
    delay: Duration | None = None
    standard: Annotated[nouns.Standard | None, Field(strict=False)] = None
    multicast_rate: BitRate | None = None
    access_point: bool | None = None
    loss: Share | None = None


class DiscoveryEntry(Entry):
    shorthand = "mode"
    mode: Literal["multicast"] | None = None
    peers: Annotated[list[Host], BeforeValidator(_listed), _one_or_list({"type": "string"})] | None = None
    server: Server | None = None

    @model_validator(mode="after")
    def _one_way(self) -> DiscoveryEntry:
        if sum(way is not None for way in (self.mode, self.peers, self.server)) != 1:
            raise fault(
                "one way of discovery is needed",
                "multicast, {peers: [10.77.2.21]} or {server: 10.77.2.21:11811}",
            )
        return self


class ParticipantEntry(Entry):
    machine: MachineName
    middleware: Annotated[nouns.Middleware | None, Field(strict=False)] = None
    interfaces: Names | None = None
    discovery: DiscoveryEntry | None = None


class LivelinessEntry(Entry):
    shorthand = "kind"
    kind: Literal["automatic", "manual_by_participant", "manual_by_topic"] | None = None
    lease: PolicyDuration | None = None


class OwnershipEntry(Entry):
    shorthand = "kind"
    kind: Literal["shared", "exclusive"]
    strength: Annotated[int, Field(ge=-(1 << 31), lt=1 << 31)] = 0


class PresentationEntry(Entry):
    shorthand = "scope"
    scope: Literal["instance", "topic", "group"] = "instance"
    coherent: bool = False
    ordered: bool = False


class HistoryEntry(Entry):
    shorthand = "kind"
    kind: Literal["keep_last", "keep_all"] = "keep_last"
    depth: Count = 1


class ResourceLimitsEntry(Entry):
    samples: Count | None = None
    instances: Count | None = None
    samples_per_instance: Count | None = None


_REPRESENTATIONS = _one_or_list({"enum": ["xcdr1", "xml", "xcdr2"]})
Representations = Annotated[
    list[Literal["xcdr1", "xml", "xcdr2"]], BeforeValidator(_listed), _REPRESENTATIONS
]


class PoliciesEntry(Entry):
    """The DDS standard's policies (DDS 1.4, 2.2.3; XTypes 1.3, 7.6.3)."""

    reliability: Literal["best_effort", "reliable"] | None = None
    durability: Literal["volatile", "transient_local", "transient", "persistent"] | None = None
    deadline: PolicyDuration | None = None
    latency_budget: PolicyDuration | None = None
    liveliness: LivelinessEntry | None = None
    ownership: OwnershipEntry | None = None
    destination_order: Literal["by_reception_timestamp", "by_source_timestamp"] | None = None
    presentation: PresentationEntry | None = None
    partition: Partitions | None = None
    data_representation: Representations | None = None
    history: HistoryEntry | None = None
    resource_limits: ResourceLimitsEntry | None = None
    lifespan: PolicyDuration | None = None


class QosEntry(PoliciesEntry):
    """Policies of both sides, and of each."""

    offered: PoliciesEntry | None = None
    requested: PoliciesEntry | None = None


class FlowsEntry(Entry):
    """What topics, services and actions share."""

    type: Name | None = None
    writers: Names = Field(default=[], alias="from")
    readers: Names = Field(default=[], alias="to")
    qos: QosEntry | None = None


class TopicEntry(FlowsEntry):
    size: Size | None = None
    rate: Rate | None = None
    within: Duration | None = None
    loss: Share | None = None
    exclusive: bool = False


class ServiceEntry(FlowsEntry):
    rate: Rate | None = None
    within: Duration | None = None


class ActionEntry(FlowsEntry):
    pass


class SenseEntry(Entry):
    topic: Name
    range: Length | None = None


class LoopEntry(Entry):
    through: Annotated[list[Name], Field(min_length=1)]
    work: dict[Name, Duration] = {}
    sense: SenseEntry | None = None
    vehicle: Name | None = None


class VehicleEntry(Entry):
    top_speed: Speed | None = None
    braking: Acceleration | None = None
    margin: Length | None = None
    watchdog: Duration | None = None
    track: Length | None = None
    wheel_diameter: Length | None = None


class PowerEntry(Entry):
    capacity: WattHours | None = None
    loads: dict[Name, Watts] = {}
    reserve: Share | None = None
    dock_power: Watts | None = None
    peukert: Exponent | None = None
    rated: Duration | None = None
    farthest: Length | None = None
    speed: Speed | None = None


class FleetEntry(Entry):
    copies: Annotated[int, Field(ge=1, le=1000)] | None = None
    of: list[MachineName | list[MachineName]]


class SiteEntry(Entry):
    """A Toprung site, version 1."""

    site: Name
    domain: Annotated[int, Field(ge=0, le=GREATEST_DOMAIN)] = 0
    naming: Annotated[nouns.Naming, Field(strict=False)] = nouns.Naming.PLAIN
    machines: dict[MachineName, MachineEntry] = {}
    links: dict[Name, LinkEntry] = {}
    participants: dict[Name, ParticipantEntry] = {}
    topics: dict[Name, TopicEntry] = {}
    services: dict[Name, ServiceEntry] = {}
    actions: dict[Name, ActionEntry] = {}
    loops: dict[Name, LoopEntry] = {}
    vehicles: dict[Name, VehicleEntry] = {}
    power: dict[Name, PowerEntry] = {}
    fleets: dict[Name, FleetEntry] = {}


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a site file, for editors."""
    schema = SiteEntry.model_json_schema(by_alias=True)
    title = f"Toprung site, version {VERSION}"
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": title}
    return head | {key: value for key, value in schema.items() if key != "title"}
