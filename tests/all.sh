#!/usr/bin/env bash
# Set up everything that the tests need, saying what is missing and being installed, and run them all.
set -euo pipefail
cd "$(dirname "$0")/.."

packages=()
want() { # want FILE-OR-PROGRAM PACKAGE...: note the packages when the first is not there
    local thing=$1
    shift
    if [ -e "$thing" ] || command -v "$thing" > /dev/null 2>&1; then return; fi
    echo "missing: $thing"
    packages+=("$@")
}
want g++ g++
want python3 python3 python3-venv
want avr-g++ gcc-avr binutils-avr
want /usr/lib/avr/include/avr/io.h avr-libc
want /usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h arduino-core-avr
want /usr/include/simavr/sim_avr.h libsimavr-dev
want /usr/include/libelf.h libelf-dev
want clang++ clang
want arm-none-eabi-g++ gcc-arm-none-eabi libnewlib-arm-none-eabi
want qemu-system-arm qemu-system-arm
want clang-tidy clang-tidy
want cppcheck cppcheck
want spin spin
want chromium chromium
want chromedriver chromium-driver
want npm nodejs npm
want /usr/share/fonts/truetype/liberation/LiberationSans-Regular.ttf fonts-liberation

if [ ${#packages[@]} -gt 0 ]; then
    echo "installing with apt-get: ${packages[*]}"
    root=()
    [ "$(id -u)" = 0 ] || root=(sudo)
    "${root[@]}" apt-get update -qq
    DEBIAN_FRONTEND=noninteractive "${root[@]}" apt-get install -y -qq --no-install-recommends "${packages[@]}" > /dev/null
fi

[ -x .venv/bin/python ] || python3 -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --editable '.[test]'

.venv/bin/ruff check .
.venv/bin/mypy
unset PYTHONDONTWRITEBYTECODE # the tests start hundreds of processes; none should compile again what another has
export STATECRAFT_ALL_TOOLS=1 # a missing tool is a failure here, never a skip
exec .venv/bin/python -m pytest -n auto --dist loadgroup "$@"
