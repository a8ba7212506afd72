#!/bin/busybox sh
# The first program of the emulated machine: mounts the system from the disk,
# lays the files of the second disk over it and hands over. Put into the start
# disk by base.sh.
/bin/busybox mount -t proc proc /proc
/bin/busybox mount -t devtmpfs dev /dev
while read -r module; do /bin/busybox insmod "$module"; done </modules
until [ -b /dev/vda ] && [ -b /dev/vdb ]; do /bin/busybox sleep 1; done
/bin/busybox mount -t ext4 /dev/vda /root
/bin/busybox tar -xf /dev/vdb -C /root
/bin/busybox umount /proc
exec /bin/busybox switch_root /root /sbin/init
