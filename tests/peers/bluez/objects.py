"""The objects that BlueZ shows on D-Bus: a tree of interfaces with properties,
and the signals about them. Interfaces and properties are those of BlueZ's own
documentation (doc/org.bluez.*.rst); how it behaves was seen with BlueZ 5.66.
"""

from dbus_fast import Message, MessageType, Variant

PROPERTIES = "org.freedesktop.DBus.Properties"
OBJECT_MANAGER = "org.freedesktop.DBus.ObjectManager"
INTROSPECTABLE = "org.freedesktop.DBus.Introspectable"
ADAPTER, DEVICE = "org.bluez.Adapter1", "org.bluez.Device1"
SERVICE, CHARACTERISTIC = "org.bluez.GattService1", "org.bluez.GattCharacteristic1"
DESCRIPTOR = "org.bluez.GattDescriptor1"

# The D-Bus type of every property that is shown.
TYPES = {
    ADAPTER: dict(
        Address="s", AddressType="s", Name="s", Alias="s", Class="u", Powered="b",
        Discoverable="b", DiscoverableTimeout="u", Pairable="b", PairableTimeout="u",
        Discovering="b", UUIDs="as", Modalias="s", Roles="as",
    ),
    DEVICE: dict(
        Address="s", AddressType="s", Name="s", Alias="s", Paired="b", Bonded="b", Trusted="b",
        Blocked="b", LegacyPairing="b", RSSI="n", Connected="b", UUIDs="as", Adapter="o",
        ServicesResolved="b", ServiceData="a{sv}",
    ),
    SERVICE: dict(UUID="s", Primary="b", Device="o", Includes="ao"),
    CHARACTERISTIC: dict(
        UUID="s", Service="o", Value="ay", Notifying="b", Flags="as", MTU="q",
    ),
    DESCRIPTOR: dict(UUID="s", Characteristic="o", Value="ay"),
}


def full_uuid(uuid):
    """A UUID of the Bluetooth SIG in all its digits."""
    uuid = uuid.lower()
    return f"0000{uuid}-0000-1000-8000-00805f9b34fb" if len(uuid) == 4 else uuid


def variant(interface, name, value):
    kind = TYPES[interface][name]
    if kind == "a{sv}":
        value = {full_uuid(uuid): Variant("ay", bytes.fromhex(data)) for uuid, data in value.items()}
    return Variant(kind, value)


def variants(interface, properties):
    return {name: variant(interface, name, value) for name, value in properties.items()}


class Tree:
    """Objects by path, each with its interfaces and their properties."""

    def __init__(self, bus):
        self.bus = bus
        self.objects = {}

    def has(self, path, interface):
        return interface in self.objects.get(path, {})

    def get(self, path, interface):
        return self.objects[path][interface]

    def with_interface(self, interface, above=""):
        return [p for p, o in self.objects.items() if interface in o and p.startswith(above)]

    def add(self, path, interface, properties):
        self.objects.setdefault(path, {})[interface] = properties
        body = [path, {interface: variants(interface, properties)}]
        self.signal("/", OBJECT_MANAGER, "InterfacesAdded", "oa{sa{sv}}", body)

    def remove(self, path):
        """Takes an object away, and all below it first. Returns their paths."""
        gone = [p for p in self.objects if p == path or p.startswith(path + "/")]
        for each in sorted(gone, reverse=True):
            interfaces = list(self.objects.pop(each))
            self.signal("/", OBJECT_MANAGER, "InterfacesRemoved", "oas", [each, interfaces])
        return gone

    def set(self, path, interface, force=False, **properties):
        """Sets properties and tells those that changed; all of them with `force`."""
        now = self.objects.get(path, {}).get(interface)
        if now is None:
            return
        changed = {k: v for k, v in properties.items() if force or now.get(k) != v}
        now.update(changed)
        if changed:
            body = [interface, variants(interface, changed), []]
            self.signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", body)

    def invalidate(self, path, interface, name):
        if self.objects.get(path, {}).get(interface, {}).pop(name, None) is not None:
            body = [interface, {}, [name]]
            self.signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", body)

    def managed(self):
        return {
            path: {i: variants(i, p) for i, p in interfaces.items()}
            for path, interfaces in self.objects.items()
        }

    def introspect(self, path):
        """What is below a path: clients find services by this, not by the manager."""
        below = path.rstrip("/") + "/"
        children = {p[len(below):].split("/")[0] for p in self.objects if p.startswith(below)}
        interfaces = [INTROSPECTABLE, PROPERTIES, *self.objects.get(path, {})]
        if path == "/":
            interfaces.append(OBJECT_MANAGER)
        return (
            '<!DOCTYPE node PUBLIC "-//freedesktop//DTD D-BUS Object Introspection 1.0//EN" '
            '"http://www.freedesktop.org/standards/dbus/1.0/introspect.dtd">\n<node>'
            + "".join(f'<interface name="{i}"></interface>' for i in interfaces)
            + "".join(f'<node name="{c}"/>' for c in sorted(children))
            + "</node>"
        )

    def signal(self, path, interface, member, signature, body):
        self.bus.send(
            Message(
                message_type=MessageType.SIGNAL, path=path, interface=interface, member=member,
                signature=signature, body=body,
            )
        )
