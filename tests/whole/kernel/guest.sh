#!/bin/busybox sh
# The first program of the emulated machine: loads the board, runs the tests, says how they went, and ends.
/bin/busybox --install -s /bin
export PATH=/bin EDGEROW_BOARD=/dev/model-board EDGEROW_BUILD=/build
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs devtmpfs /dev
ip link set lo up
echo 1 >/proc/sys/kernel/printk
insmod /model_board.ko
passed=0
failed=0
echo "guest: Linux $(uname -r), $(ls /dev/gpiochip* /dev/spidev* | tr '\n' ' ')"

check() { # NAME WORDS COMMAND...: it succeeds, and says these words
    local name=$1 words=$2
    shift 2
    echo "== $name"
    if "$@" >/tmp/said 2>&1 && grep -q "$words" /tmp/said; then
        passed=$((passed + 1))
    else
        failed=$((failed + 1))
        echo "-- $name FAILED"
    fi
    cat /tmp/said
}

# A bit that turns between chip and gateway: the frame is lost, and the test must say so.
spoilt() {
    echo 100 >/sys/module/model_board/parameters/spoil
    /build/tests/test_radio_stream
    [ $? = 1 ] && [ "$(cat /sys/module/model_board/parameters/spoil)" = 0 ]
}

check "frames through each chip and both" "overtaken 0 before" /build/tests/test_radio_path
check "600 frames back to back" "600 at the broker; 0 overtaken" /build/tests/test_radio_stream
check "what is wrong is named" "Failures: 0" /build/tests/test_radio_refusals
check "a lost edge, a dead radio" "Failures: 0" /build/tests/test_radio_troubles
check "a turned bit is noticed" "count - rig.row_count == 1, " spoilt
check "how long it takes" "interrupt to ring" /build/bench/bench_radio_answers /build 100 quiet
echo "guest: $passed passed, $failed failed"
poweroff -f
