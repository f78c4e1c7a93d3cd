// bale_mover_by_hand.cpp: yours. statecraft wrote this once and never touches it again.
//
// An inclinometer that is clocked out bit by bit, and a wiper's motor behind a transistor.
#include "by_hand.h"

#include <Arduino.h>

namespace by_hand {

constexpr uint8_t select_pin = 40, clock_pin = 41, data_pin = 42;
constexpr uint8_t wiper_pin = 3;  // of timer 3, which the tracks' motors use as PWM, too

void begin()
{
    pinMode(wiper_pin, OUTPUT);
    pinMode(data_pin, INPUT_PULLUP);  // a wire that is off reads as all ones, which no tilt is
    digitalWrite(select_pin, HIGH);
    pinMode(select_pin, OUTPUT);
    pinMode(clock_pin, OUTPUT);
}

// line 20: sensor tilt by hand, -45 deg .. 45 deg, patience 200 ms # the owner's own driver for an inclinometer
// Its 16 bits are 0 .. 900 for -45 .. 45 degrees in tenths, high byte first.
bool read_tilt(int16_t& value)
{
    digitalWrite(select_pin, LOW);
    const uint8_t high = shiftIn(data_pin, clock_pin, MSBFIRST);
    const uint8_t low = shiftIn(data_pin, clock_pin, MSBFIRST);
    digitalWrite(select_pin, HIGH);
    const uint16_t told = static_cast<uint16_t>(high << 8 | low);
    if (told > 900) {
        return false;
    }
    value = static_cast<int16_t>(told) - 450;
    return true;
}

// line 29: output wiper by hand, 0 % .. 100 %, rest 0 % # cleans the ranger's face
void drive_wiper(int8_t value)
{
    analogWrite(wiper_pin, value * 255L / 100);
}

}  // namespace by_hand
