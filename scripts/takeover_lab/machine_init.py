"""The guest's first process: a shell script that loads modules, mounts what there is and runs the one command."""

from __future__ import annotations

UP = "guest machine: up"
ENDED = "guest machine: exit "
TROUBLE = "guest machine: cannot start: "

RECORD_MOUNT = "/run/record"
VOLUME = "/dev/sda"

INIT = f"""#!/bin/busybox sh
# Console and kernel messages go to the first serial port; the command's output and the marked lines to the second.
export PATH=/bin
/bin/busybox --install -s /bin
mount -t devtmpfs dev /dev
mkdir -p /proc /sys /host /machine /guest
exec </dev/ttyS0 >/dev/ttyS0 2>&1
mount -t proc proc /proc
mount -t sysfs sys /sys
stty -F /dev/ttyS1 raw -echo
cannot() {{
    echo "{TROUBLE}$1" >/dev/ttyS1
    sync
    poweroff -f
    sleep 60
}}
for module in MODULES; do
    insmod /modules/$module.ko || cannot "the module $module was refused"
done
tries=0
while [ ! -b {VOLUME} ] || [ ! -b /dev/vda ]; do
    tries=$((tries + 1))
    [ $tries -gt 300 ] && cannot "the disks did not come up: $(echo /dev/sd* /dev/vd*)"
    sleep 0.1
done
shared=trans=virtio,version=9p2000.L,msize=524288,cache=loose,ro
mount -t 9p -o $shared host /host || cannot "the host's root cannot be mounted"
mount -t 9p -o $shared machine /machine || cannot "the machine's folder cannot be mounted"
mount --bind /host /guest
mount -t devtmpfs dev /guest/dev
mount -t proc proc /guest/proc
mount -t sysfs sys /guest/sys
mount -t tmpfs tmp /guest/tmp && chmod 1777 /guest/tmp
mount -t tmpfs run /guest/run
mkdir -p /guest/run/record
mount -t ext4 /dev/vda /guest{RECORD_MOUNT} || cannot "the record's disk cannot be mounted"
while read -r visible; do
    mkdir -p "/guest$visible"
    read -r source
    mount --bind "/host$source" "/guest$visible" || cannot "$visible of the host cannot be seen"
done </machine/visible
cp /machine/command /guest/run/command || cannot "there is no command to run"
ifconfig lo up 2>/dev/null
echo "{UP}" >/dev/ttyS1
{{
    chroot /guest /bin/sh /run/command </dev/null 2>&1
    echo "{ENDED}$?"
}} | cat >/dev/ttyS1
cd /
sync
umount /guest{RECORD_MOUNT} || mount -o remount,ro /dev/vda /guest{RECORD_MOUNT}
sync
poweroff -f
sleep 60
"""
