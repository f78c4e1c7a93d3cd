// bale_mover_by_hand.cpp: yours. statecraft wrote this once and never touches it again.
#include "by_hand.h"

#include <Arduino.h>

namespace by_hand {

// Called once, before any of the others.
void begin()
{
}

// line 20: sensor tilt by hand, -45 deg .. 45 deg, patience 200 ms # the owner's own driver for an inclinometer
// Sets `value` in tenths of a degree and returns true; returns false while there is nothing usable to read.
// After 200 ms without a reading the sensor is in fault.
bool read_tilt(int16_t& value)
{
    (void)value;
    return false;
}

// line 29: output wiper by hand, 0 % .. 100 %, rest 0 % # cleans the ranger's face
// Drives it to `value`, 0 .. 100 in percent; called when that changes, and with
// 0, its rest, at the start and when all must rest.
void drive_wiper(int8_t value)
{
    (void)value;
}

}  // namespace by_hand
