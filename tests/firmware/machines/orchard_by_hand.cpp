// The orchard sprayer's own drivers, for the tests: a heading that counts up, a tank gauge that a pin makes hang or dawdle, a door whose
// reader stops the core's clock, a valve that is slow.
#include "by_hand.h"

#include <Arduino.h>

namespace by_hand {

static int8_t valve = -1;
static int16_t heading;

void begin()
{
    pinMode(48, INPUT);
    pinMode(49, INPUT);
    pinMode(47, INPUT);
    pinMode(46, INPUT);
    pinMode(44, INPUT);
}

bool read_heading(int16_t& value)
{
    heading = heading == 3599 ? 0 : heading + 1;
    value = heading;
    return true;
}

bool read_tank(int32_t& value)
{
    while (digitalRead(48) == HIGH) {
    }
    if (digitalRead(49) == HIGH) {
        delay(digitalRead(47) == HIGH ? 100 : 25);
    }
    value = 70000;
    return true;
}

bool read_door()
{
    if (digitalRead(46) == HIGH) {
        TIMSK0 = 0;
    }
    return false;
}

void drive_valve(int8_t value)
{
    if (digitalRead(44) == HIGH) {
        delayMicroseconds(200);
    }
    valve = value;
}

}  // namespace by_hand
