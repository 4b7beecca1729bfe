"""An edge node built on pysparkplug, run by an interpreter that has it: HOST PORT GROUP NODE DEVICE.

Reads commands from standard input, one a line: `data AT_MS UTILISATION SLEW`, `past AT_MS UTILISATION`, `fault 0|1`, `skip`
(a number is left out), `die` (the connection breaks). Says `ready` after its births, `rebirth` when it was asked and did so.
"""

import os
import sys

import pysparkplug as psp


def metric(name: str, datatype: object, value: object, at_ms: int, **more: object) -> object:
    return psp.Metric(timestamp=at_ms, name=name, datatype=datatype, value=value, **more)


def main(host: str, port: str, group: str, name: str, device_id: str) -> None:
    now = psp.get_current_timestamp()
    metrics = [
        metric("dt_ms", psp.DataType.INT32, 100, now),
        metric("utilisation_pct", psp.DataType.FLOAT, 0.0, now),
        metric("slew_deg", psp.DataType.DOUBLE, 0.0, now),
        metric("event/fault/E7", psp.DataType.BOOLEAN, False, now),
    ]

    # The library counts bdSeq up for its next connection once it is born; a birth on demand keeps its number.
    session = metric("bdSeq", psp.DataType.INT64, 0, now)

    def asked(node: object, message: object) -> None:
        if any(each.name == "Node Control/Rebirth" and each.value for each in message.payload.metrics):
            # The library has no birth on demand.
            births(node)
            print("rebirth", flush=True)

    node = psp.EdgeNode(group, name, [], cmd_callback=asked)
    device = psp.Device(device_id, metrics)

    def births(of: object) -> None:
        n_birth = psp.NBirth(timestamp=psp.get_current_timestamp(), seq=of._seq, metrics=(session,))
        send(of, psp.MessageType.NBIRTH, n_birth, None)
        d_birth = psp.DBirth(
            timestamp=psp.get_current_timestamp(), seq=of._seq, metrics=tuple(device.metrics.values())
        )
        send(of, psp.MessageType.DBIRTH, d_birth, device_id)

    def send(of: object, kind: object, payload: object, to: str | None) -> None:
        topic = psp.Topic(message_type=kind, group_id=group, edge_node_id=name, device_id=to)
        message = psp.Message(topic=topic, payload=payload, qos=psp.QoS.AT_MOST_ONCE, retain=False)
        of._client.publish(message, include_dtypes=True)

    node.register(device)
    node.connect(host, port=int(port))
    while not node._connected:
        pass
    print("ready", flush=True)
    for line in sys.stdin:
        word, *numbers = line.split()
        if word == "die":
            os._exit(1)
        if word == "skip":
            _ = node._seq
        if word == "data":
            at_ms = int(numbers[0])
            node.update_device(
                device_id,
                [
                    metric("utilisation_pct", psp.DataType.FLOAT, float(numbers[1]), at_ms),
                    metric("slew_deg", psp.DataType.DOUBLE, float(numbers[2]), at_ms),
                ],
            )
        if word == "past":
            value = metric(
                "utilisation_pct", psp.DataType.FLOAT, float(numbers[1]), int(numbers[0]), is_historical=True
            )
            node.update_device(device_id, [value])
        if word == "fault":
            value = metric(
                "event/fault/E7", psp.DataType.BOOLEAN, numbers[0] == "1", psp.get_current_timestamp()
            )
            node.update_device(device_id, [value])
        print("done", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
