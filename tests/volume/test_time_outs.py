from __future__ import annotations

from tests.volume.machine import Machine
from verify.volume.identity import identify_node
from verify.volume.sysfs import BlockTree
from verify.volume.time_outs import time_outs_s


def seconds(machine: Machine, number: str) -> dict[str, float]:
    tree = BlockTree(machine.sysfs, machine.dev)
    node = tree.by_number(number)
    assert node is not None
    return time_outs_s(identify_node(tree, node, f"/dev/{node.name}"), machine.sysfs, machine.proc)


def test_a_multipath_map_has_the_time_outs_of_its_paths(machine: Machine) -> None:
    paths = [
        machine.disk(f"sd{letter}", f"8:{16 * index}", f"host{index}/0", {"device/timeout": f"{30 + index}\n"})
        for index, letter in enumerate("ab")
    ]
    upper = machine.disk("dm-0", "253:0", "virtual", {"dm/name": "mpatha\n", "dm/uuid": "mpath-3600\n"})
    machine.stack(upper, *paths)
    assert seconds(machine, "253:0") == {"/dev/sda": 30, "/dev/sdb": 31}


def test_time_outs_in_seconds_are_those_that_the_kernel_tells(machine: Machine) -> None:
    machine.disk("vda", "254:0", "virtio1", {"queue/io_timeout": "1500\n"})
    machine.disk("vdb", "254:16", "virtio2")
    assert seconds(machine, "254:0") == {"/dev/vda": 1.5}
    assert seconds(machine, "254:16") == {}
