"""The system's Bluetooth service (`org.bluez`) with one adapter and its devices (and
one without, that is off), played for tests; no Bluetooth stack. On the bus of DBUS_SYSTEM_BUS_ADDRESS.

    bluez.py SCENARIO.json

Control is by lines of JSON on standard input, each answered by one on standard
output; the first line of output says that it is ready. SCENARIO lists devices:

    {"devices": [{"address": "C0:00:00:00:00:01", "name": "clamp", "services": [
        {"uuid": "1815", "characteristics": [
            {"uuid": "2b18", "flags": ["read", "notify"], "period_ms": 20, "bytes": 2}]}]}]}

A characteristic sends a counter of so many bytes, the lowest first: 0, 1, 2, …
from the first subscription on, so that a test can name each value.
"""

import asyncio
import json
import os
import sys
import time

from dbus_fast import Message, MessageType, NameFlag
from dbus_fast.aio import MessageBus
from objects import (
    ADAPTER, CHARACTERISTIC, DESCRIPTOR, DEVICE, INTROSPECTABLE, OBJECT_MANAGER, PROPERTIES,
    SERVICE, Tree, full_uuid, variant, variants,
)

ROOT = "/org/bluez/hci0"
UNKNOWN_OBJECT = "org.freedesktop.DBus.Error.UnknownObject"
UNKNOWN_METHOD = "org.freedesktop.DBus.Error.UnknownMethod"


class Refused(Exception):
    """An answer that is an error of BlueZ's."""

    def __init__(self, name, text):
        super().__init__(text)
        self.name = name if "." in name else f"org.bluez.Error.{name}"


def path_of(address):
    return f"{ROOT}/dev_" + address.upper().replace(":", "_")


class Bluez:
    def __init__(self, bus, scenario):
        self.tree = Tree(bus)
        self.devices = {path_of(d["address"]): d for d in scenario["devices"]}
        self.described = {}  # characteristic path -> its part of the scenario
        self.counters = {}  # characteristic path -> the next number
        self.sent = {}  # characteristic path -> numbers told to subscribers
        self.sent_us = {}  # and when, on the boot clock
        self.sessions = {}  # characteristic path -> clients that subscribed
        self.tasks = {}
        self.silent = set()
        self.fail = {}
        self.hang = set()
        self.hidden = set()
        self.rfkill = False
        self.calls = {}

    # -- the adapter and what is in range

    def add_adapter(self, path=ROOT, address="00:AA:01:00:00:42", powered=True):
        self.tree.add(path, ADAPTER, dict(
            Address=address, AddressType="public", Name="yard", Alias="yard", Class=0,
            Powered=powered, Discoverable=False, DiscoverableTimeout=180, Pairable=False,
            PairableTimeout=0, Discovering=False, UUIDs=[], Modalias="usb:v1D6Bp0246d0542",
            Roles=["central", "peripheral"],
        ))

    def appear(self, path):
        device = self.devices[path]
        if self.tree.has(path, DEVICE):
            return
        name = device.get("name")
        properties = dict(
            Address=device["address"].upper(), AddressType="random",
            Alias=name or device["address"].replace(":", "-"), Paired=False, Bonded=False,
            Trusted=False, Blocked=False, LegacyPairing=False, RSSI=-60, Connected=False,
            UUIDs=[full_uuid(s["uuid"]) for s in device.get("services", [])], Adapter=ROOT,
            ServicesResolved=False,
        )
        if name:
            properties["Name"] = name
        self.tree.add(path, DEVICE, properties)

    async def search(self):
        await asyncio.sleep(0.05)
        while True:
            for path in self.devices:
                if path not in self.hidden:
                    self.appear(path)
            await asyncio.sleep(0.1)

    def end_search(self):
        self.stop("search")
        for path in self.tree.with_interface(DEVICE):
            self.tree.invalidate(path, DEVICE, "RSSI")
        self.tree.set(ROOT, ADAPTER, Discovering=False)

    def power(self, on):
        if self.tree.get(ROOT, ADAPTER)["Powered"] == on:
            return
        if not on:
            self.end_search()
            for path in self.tree.with_interface(DEVICE):
                if self.tree.get(path, DEVICE)["Connected"]:
                    self.drop(path)
        self.tree.set(ROOT, ADAPTER, Powered=on)

    # -- a connection

    async def connect(self, path):
        if self.tree.get(path, DEVICE)["Connected"]:
            return
        if path in self.hidden:
            raise Refused("Failed", "le-connection-abort-by-local")
        await asyncio.sleep(0.02)
        self.tree.set(path, DEVICE, Connected=True)
        handle = 0x10
        for service in self.devices[path].get("services", []):
            at = f"{path}/service{handle:04x}"
            handle += 1
            if not self.tree.has(at, SERVICE):
                self.tree.add(at, SERVICE, dict(
                    UUID=full_uuid(service["uuid"]), Primary=True, Device=path, Includes=[],
                ))
            for described in service["characteristics"]:
                self.add_characteristic(f"{at}/char{handle:04x}", at, described)
                handle += 3
        await asyncio.sleep(0.02)
        self.tree.set(path, DEVICE, ServicesResolved=True)

    def add_characteristic(self, path, service, described):
        self.described[path] = described
        if not self.tree.has(path, CHARACTERISTIC):
            self.tree.add(path, CHARACTERISTIC, dict(
                UUID=full_uuid(described["uuid"]), Service=service, Value=b"", Notifying=False,
                Flags=described["flags"], MTU=517,
            ))
            if "notify" in described["flags"]:
                self.tree.add(f"{path}/desc0001", DESCRIPTOR, dict(
                    UUID=full_uuid("2902"), Characteristic=path, Value=b"",
                ))
        # BlueZ renews the subscriptions of clients that are still on the bus.
        if self.sessions.get(path):
            self.begin(path, self.notify(path))

    def drop(self, path):
        """The link drops: one signal says both, the services stay, Notifying stays."""
        for at in self.tree.with_interface(CHARACTERISTIC, above=path + "/"):
            self.stop(at)
        self.tree.set(path, DEVICE, ServicesResolved=False, Connected=False)

    def next_value(self, path):
        n = self.counters.get(path, 0)
        self.counters[path] = n + 1
        length = self.described[path].get("bytes", 2)
        return (n % (1 << 8 * length)).to_bytes(length, "little"), n

    async def notify(self, path):
        pace = self.described[path].get("period_ms", 100) / 1000
        clock = asyncio.get_running_loop().time
        due = clock() + pace
        while True:
            await asyncio.sleep(max(0, due - clock()))
            due += pace
            value, n = self.next_value(path)
            if not any(path.startswith(p) for p in self.silent):
                self.tree.set(path, CHARACTERISTIC, force=True, Value=value)
                self.sent.setdefault(path, []).append(n)
                now_us = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000
                self.sent_us.setdefault(path, []).append(now_us)

    def unsubscribe(self, path, client):
        clients = self.sessions.get(path, set())
        clients.discard(client)
        if not clients:
            self.stop(path)
            self.tree.set(path, CHARACTERISTIC, Notifying=False)

    # -- tasks

    def begin(self, key, work):
        self.stop(key)
        self.tasks[key] = asyncio.ensure_future(work)

    def stop(self, key):
        if task := self.tasks.pop(key, None):
            task.cancel()

    # -- D-Bus

    def handle(self, message):
        if message.message_type == MessageType.SIGNAL and message.member == "NameOwnerChanged":
            name, _, owner = message.body
            if not owner:
                for path in list(self.sessions):
                    self.unsubscribe(path, name)
            return False
        if message.message_type != MessageType.METHOD_CALL:
            return False
        asyncio.ensure_future(self.answer(message))
        return True

    async def answer(self, message):
        self.calls[message.member] = self.calls.get(message.member, 0) + 1
        if message.member in self.hang:
            return
        try:
            if self.fail.get(message.member):
                raise Refused(*self.fail[message.member].pop(0))
            signature, body = await self.call(message)
            answer = Message.new_method_return(message, signature, body)
        except Refused as refused:
            answer = Message.new_error(message, refused.name, str(refused))
        except KeyError as missing:
            answer = Message.new_error(message, UNKNOWN_OBJECT, f"no object or property {missing}")
        self.tree.bus.send(answer)

    async def call(self, m):
        """Signature and body of the answer."""
        tree = self.tree
        if m.interface == INTROSPECTABLE:
            return "s", [tree.introspect(m.path)]
        if m.interface == OBJECT_MANAGER:
            return "a{oa{sa{sv}}}", [tree.managed()]
        if m.interface == PROPERTIES and m.member == "GetAll":
            return "a{sv}", [variants(m.body[0], tree.get(m.path, m.body[0]))]
        if m.interface == PROPERTIES and m.member == "Get":
            interface, name = m.body
            return "v", [variant(interface, name, tree.get(m.path, interface)[name])]
        if m.interface == PROPERTIES and m.member == "Set":
            if m.body[:2] == [ADAPTER, "Powered"]:
                if m.body[2].value and self.rfkill:
                    raise Refused("Blocked", "Blocked through rfkill")
                self.power(m.body[2].value)
            return "", []
        kinds = {ADAPTER: self.call_adapter, DEVICE: self.call_device,
                 CHARACTERISTIC: self.call_characteristic}
        tree.get(m.path, m.interface)
        return await kinds[m.interface](m)

    async def call_adapter(self, m):
        adapter = self.tree.get(ROOT, ADAPTER)
        if not adapter["Powered"]:
            raise Refused("NotReady", "Resource Not Ready")
        if m.member == "StartDiscovery":
            if not adapter["Discovering"]:
                self.tree.set(ROOT, ADAPTER, Discovering=True)
                self.begin("search", self.search())
        elif m.member == "StopDiscovery":
            if not adapter["Discovering"]:
                raise Refused("Failed", "No discovery started")
            self.end_search()
        elif m.member != "SetDiscoveryFilter":
            raise Refused(UNKNOWN_METHOD, m.member)
        return "", []

    async def call_device(self, m):
        device = self.tree.get(m.path, DEVICE)
        if m.member == "Connect":
            if not self.tree.get(ROOT, ADAPTER)["Powered"]:
                raise Refused("NotReady", "Resource Not Ready")
            await self.connect(m.path)
        elif m.member == "Disconnect":
            if not device["Connected"]:
                raise Refused("NotConnected", "Not Connected")
            self.tree.set(m.path, DEVICE, ServicesResolved=False)
            await asyncio.sleep(0.02)
            self.drop(m.path)
        else:
            raise Refused(UNKNOWN_METHOD, m.member)
        return "", []

    async def call_characteristic(self, m):
        flags = self.tree.get(m.path, CHARACTERISTIC)["Flags"]
        device = m.path.rsplit("/", 2)[0]
        if not self.tree.get(device, DEVICE)["Connected"]:
            raise Refused("Failed", "Not connected")
        if m.member == "StartNotify":
            if "notify" not in flags:
                raise Refused("NotSupported", "Operation is not supported")
            self.sessions.setdefault(m.path, set()).add(m.sender)
            if m.path not in self.tasks:
                self.tree.set(m.path, CHARACTERISTIC, Notifying=True)
                self.begin(m.path, self.notify(m.path))
        elif m.member == "StopNotify":
            self.unsubscribe(m.path, m.sender)
        elif m.member == "ReadValue":
            return "ay", [self.next_value(m.path)[0]]
        elif m.member == "WriteValue":
            self.described[m.path].setdefault("written", []).append(bytes(m.body[0]).hex())
            self.echo(m.path, bytes(m.body[0]))
        else:
            raise Refused(UNKNOWN_METHOD, m.member)
        return "", []

    def echo(self, path, written):
        """An instrument that is asked in text answers on another characteristic."""
        if answered := self.described[path].get("answers_on"):
            text = self.described[path]["answers"].get(written.decode().strip())
            for at in self.tree.with_interface(CHARACTERISTIC, above=path.rsplit("/", 2)[0]):
                if text and self.described[at]["uuid"] == answered:
                    self.tree.set(at, CHARACTERISTIC, force=True, Value=text.encode() + b"\n")

    # -- control

    def control(self, asked):
        do, device = asked["do"], path_of(asked.get("device", ""))
        if do == "drop":
            self.drop(device)
        elif do == "power":
            self.power(asked["on"])
        elif do == "rfkill":
            self.rfkill = asked["on"]
        elif do == "silence":
            (self.silent.add if asked["on"] else self.silent.discard)(device)
        elif do == "hide":
            (self.hidden.add if asked["on"] else self.hidden.discard)(device)
            if asked["on"]:
                for path in self.tree.remove(device):
                    self.stop(path)
        elif do == "adapter":
            if asked["on"]:
                self.add_adapter()
            else:
                for path in self.tree.remove(ROOT):
                    self.stop(path)
        elif do == "second_adapter":
            self.add_adapter("/org/bluez/hci1", "00:AA:01:00:00:43", powered=False)
        elif do == "fail":
            self.fail[asked["method"]] = [(asked["name"], asked["text"])] * asked["times"]
        elif do == "hang":
            (self.hang.add if asked["on"] else self.hang.discard)(asked["method"])
        elif do == "advertise":
            self.appear(device)
            self.tree.set(device, DEVICE, force=True, ServiceData=asked["service_data"])
        elif do == "times":
            return {self.described[p]["uuid"]: us for p, us in self.sent_us.items()}
        elif do != "state":
            raise ValueError(do)
        return dict(
            calls=self.calls, sent={self.described[p]["uuid"]: n for p, n in self.sent.items()},
            clients=sorted({c for clients in self.sessions.values() for c in clients}),
            connected=[
                p for p in self.tree.with_interface(DEVICE) if self.tree.get(p, DEVICE)["Connected"]
            ],
            powered=self.tree.has(ROOT, ADAPTER) and self.tree.get(ROOT, ADAPTER)["Powered"],
        )


async def main():
    bus = await MessageBus(bus_address=os.environ["DBUS_SYSTEM_BUS_ADDRESS"]).connect()
    with open(sys.argv[1]) as file:
        bluez = Bluez(bus, json.load(file))
    bus.add_message_handler(bluez.handle)
    await bus.call(Message(
        destination="org.freedesktop.DBus", path="/org/freedesktop/DBus",
        interface="org.freedesktop.DBus", member="AddMatch", signature="s",
        body=["type='signal',interface='org.freedesktop.DBus',member='NameOwnerChanged'"],
    ))
    await bus.request_name("org.bluez", NameFlag.DO_NOT_QUEUE)
    bluez.add_adapter()
    print(json.dumps("ready"), flush=True)
    reader = asyncio.StreamReader()
    protocol = asyncio.StreamReaderProtocol(reader)
    await asyncio.get_running_loop().connect_read_pipe(lambda: protocol, sys.stdin)
    while line := await reader.readline():
        print(json.dumps(bluez.control(json.loads(line))), flush=True)


asyncio.run(main())
