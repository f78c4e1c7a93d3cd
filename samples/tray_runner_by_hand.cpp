// tray_runner_by_hand.cpp: yours. statecraft wrote this once and never touches it again.
//
// Two devices on the two-wire bus: a display of two lines of 16 characters behind an eight-bit port expander, and a compass that gives
// its bearing in tenths of a degree. Neither may hold up the loop: each call does one short transfer, the display's one character.
#include "by_hand.h"

#include <Arduino.h>
#include <Wire.h>

namespace by_hand {

// A transfer of five bytes takes 0.5 ms at 100 kHz. What takes twice that is a bus that is stuck: Wire then gives up, and begins anew.
// A core whose Wire has no setWireTimeout would wait there for ever.
constexpr uint32_t bus_hz = 100000;
constexpr uint32_t longest_transfer_us = 1000;

static bool sent(uint8_t address, const uint8_t* bytes, uint8_t count)
{
    Wire.beginTransmission(address);
    Wire.write(bytes, count);
    return Wire.endTransmission() == 0;
}

// ---------------------------------------------------------------------------------------------------------- the compass

constexpr uint8_t compass_address = 0x60;
constexpr uint8_t bearing_register = 2;  // and 3: high byte first

// line 18: sensor heading by hand, 0 deg .. 359.9 deg, patience 300 ms, noise 2 deg, takes at most 1.5 ms
bool read_heading(int16_t& value)
{
    if (!sent(compass_address, &bearing_register, 1)) {
        return false;  // nothing more on a bus that is stuck: the next call asks again
    }
    if (Wire.requestFrom(compass_address, static_cast<uint8_t>(2)) != 2) {
        return false;
    }
    const int high = Wire.read();
    value = static_cast<int16_t>(high << 8 | Wire.read());
    return value >= 0 && value < 3600;
}

// ---------------------------------------------------------------------------------------------------------- the display

constexpr uint8_t display_address = 0x27;
constexpr uint8_t columns = 16;

// What hangs on the expander's lower pins; its upper four are the display's data lines, of which it has half a byte at a time.
constexpr uint8_t characters = 0x01, enable = 0x04, light = 0x08;

// A half byte is taken as enable falls.
static bool sent_half(uint8_t half, uint8_t how)
{
    const uint8_t lines = static_cast<uint8_t>((half & 0xf0) | how | light);
    const uint8_t bytes[] = {static_cast<uint8_t>(lines | enable), lines};
    return sent(display_address, bytes, sizeof bytes);
}

static bool sent_whole(uint8_t byte, uint8_t how)
{
    const uint8_t first = static_cast<uint8_t>((byte & 0xf0) | how | light);
    const uint8_t second = static_cast<uint8_t>(byte << 4 | how | light);
    const uint8_t bytes[] = {static_cast<uint8_t>(first | enable), first, static_cast<uint8_t>(second | enable), second};
    return sent(display_address, bytes, sizeof bytes);
}

// How such a display is woken and told to take half bytes, two lines, no cursor; a call each, so that it has time between them.
constexpr uint8_t wake_calls = 8;

static bool wake(uint8_t call)
{
    switch (call) {
    case 0:
    case 1:
    case 2:
        return sent_half(0x30, 0);
    case 3:
        return sent_half(0x20, 0);
    case 4:
        return sent_whole(0x28, 0);  // two lines
    case 5:
        return sent_whole(0x0c, 0);  // on, without a cursor
    case 6:
        return sent_whole(0x06, 0);  // each character behind the last one
    default:
        return sent_whole(0x01, 0);  // empty
    }
}

static char text[2 * columns];

static uint8_t put(uint8_t at, const char* from)
{
    while (*from != '\0' && at < sizeof text) {
        text[at++] = *from++;
    }
    return at;
}

// `value` in tenths, as 12.3.
static uint8_t put_tenths(uint8_t at, int16_t value)
{
    char digits[8];
    itoa(value / 10, digits, 10);
    at = put(at, digits);
    const char rest[] = {'.', static_cast<char>('0' + value % 10), '\0'};
    return put(at, rest);
}

static void write_text(const ScreenValues& values)
{
    memset(text, ' ', sizeof text);
    put(0, values.mode);
    char digits[8];
    itoa(values.clicks, digits, 10);
    put(columns - 4, digits);
    uint8_t at = values.heading_fault ? put(columns, "no compass") : put_tenths(columns, values.heading);
    if (values.front_fault) {
        put(columns + 11, "-");
    } else {
        itoa(values.front / 10, digits, 10);
        at = put(columns + 11, digits);
        put(at, "cm");
    }
}

// line 25: output screen by hand, shows mode, front, heading, clicks, each 10 ms, takes at most 1.5 ms
void show_screen(const ScreenValues& values)
{
    static uint8_t call;  // first those that wake it, then 17 a line: where the line begins, and its characters
    bool done = false;
    if (call < wake_calls) {
        done = wake(call);
    } else {
        const uint8_t place = static_cast<uint8_t>(call - wake_calls);
        const uint8_t line = place / (columns + 1), column = place % (columns + 1);
        if (place == 0) {
            write_text(values);
        }
        done = column == 0 ? sent_whole(line == 0 ? 0x80 : 0xc0, 0)
                           : sent_whole(static_cast<uint8_t>(text[line * columns + column - 1]), characters);
    }
    ++call;
    if (!done) {
        call = 0;  // a display that was pulled off is woken anew
    } else if (call == wake_calls + 2 * (columns + 1)) {
        call = wake_calls;
    }
}

// Called once, before any of the others.
void begin()
{
    Wire.begin();
    Wire.setClock(bus_hz);
    Wire.setWireTimeout(longest_transfer_us, true);
}

}  // namespace by_hand
