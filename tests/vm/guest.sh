# Sourced by the scripts beside it: an emulated computer (qemu without KVM) with Debian's kernel. They set `work`, a folder
# for one kind of guest; the kernel is unpacked once, beside it.
#
# How long something may take is counted in processor time of the emulator, so that a machine that is busy with other
# work fails no test.

kernel=$(dirname "$work")/vm-kernel
mkdir -p "$work" "$kernel"

prepare_kernel() {
  [[ -e $kernel/vmlinuz ]] && return
  local package
  package=$(apt-cache depends linux-image-amd64 | sed -n 's/^ *Depends: //p' | head -1)
  (cd "$kernel" && apt-get download -q "$package" && dpkg -x "$package"_*.deb files && rm -f "$package"_*.deb)
  depmod -b "$kernel/files" "$(kernel_version)"
  cp "$kernel"/files/boot/vmlinuz-* "$kernel/vmlinuz"
}

kernel_version() {
  basename "$kernel"/files/lib/modules/*
}

# The files of the named modules and of all that they need, in the order of loading.
module_files() {
  local module
  for module in "$@"; do
    modprobe -d "$kernel/files" -S "$(kernel_version)" --show-depends "$module"
  done | sed -n 's/^insmod \([^ ]*\).*/\1/p' | awk '!seen[$0]++'
}

# pack_start_root FOLDER: busybox and what a disk needs join the folder, and all of it is packed to $work/initrd.gz. Its
# /init begins with `. /start`.
pack_start_root() {
  local root=$1 module
  mkdir -p "$root"/{bin,proc,sys,dev,mnt,modules}
  cp "$(command -v busybox)" "$root/bin/busybox"
  while read -r module; do
    cp "$module" "$root/modules/"
    basename "$module"
  done < <(module_files virtio_pci virtio_blk crc32c_generic ext4) >"$root/modules/order"
  cat >"$root/start" <<'TEXT'
/bin/busybox --install -s /bin
echo # after the firmware's last line
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs devtmpfs /dev
while read -r module; do insmod "/modules/$module" 2>/dev/null; done </modules/order
mount -t ext4 /dev/vda /mnt || { echo "GUEST failed: the disk can't be mounted"; poweroff -f; }
TEXT
  (cd "$root" && find . | cpio -o -H newc --quiet | gzip -1) >"$work/initrd.gz"
}

# start_guest CONSOLE "KERNEL WORDS" QEMU_OPTIONS...: its process id goes into `guest_pid`.
start_guest() {
  local console=$1 words=$2
  shift 2
  : >"$console"
  qemu-system-x86_64 -nographic -no-reboot -nic none -kernel "$kernel/vmlinuz" -initrd "$work/initrd.gz" \
    -append "console=ttyS0 quiet panic=-1 no_timer_check $words" "$@" </dev/null >"$console" 2>&1 &
  guest_pid=$!
}

# However a trial ends, its guest ends with it.
guest_pid=
end_guest() {
  [[ -z $guest_pid ]] || kill -KILL "$guest_pid" 2>/dev/null || true
  wait "$guest_pid" 2>/dev/null || true
  guest_pid=
}
trap end_guest EXIT

# Processor seconds that the guest has used; fails when it has ended.
guest_cpu_s() {
  awk -v ticks="$(getconf CLK_TCK)" '$3 == "Z" { exit 1 } { print int(($14 + $15) / ticks) }' "/proc/$guest_pid/stat" \
    2>/dev/null
}

console_has() {
  tr -d '\r' <"$1" | awk "$2 { found = 1; exit } END { exit !found }"
}

# wait_for CONSOLE AWK_CONDITION CPU_S: until a line of the console meets it, at most so much of the guest's processor
# time more, or an hour.
wait_for() {
  local console=$1 condition=$2 end=$((SECONDS + 3600)) used begin
  begin=$(guest_cpu_s) || begin=0
  until console_has "$console" "$condition"; do
    # It may have ended since, with its last word what is waited for.
    if ! used=$(guest_cpu_s) && console_has "$console" "$condition"; then
      return 0
    fi
    if [[ -z $used ]] || ((used > begin + $3 || SECONDS > end)) || grep -q '^GUEST failed' "$console"; then
      echo "expected $condition on the console, found after ${used:-all} s of processor time:"
      tail -5 "$console"
      return 1
    fi
    sleep 0.02
  done
}
