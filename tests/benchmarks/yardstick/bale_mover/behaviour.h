// The bale mover, written by hand: see behaviour.cpp.
#ifndef BALE_MOVER_H
#define BALE_MOVER_H

#include <stdint.h>

namespace behaviour {

enum class Drive : uint8_t { standing, forward, backward };
enum class Fork : uint8_t { holding, rising, sinking, clamping, opening };
enum class Warning : uint8_t { quiet, moving, reversing };

enum class Command : uint8_t { none, halt, ahead, back, up, down, clamp, release, beat };

struct Reading {
    int16_t value;  // mm, tenths of a degree, mA
    bool valid;
};

struct Inputs {
    Reading front;
    Reading tilt;
    Reading lifting;
    bool fork_top;
    bool fork_bottom;
};

constexpr uint8_t no_row = 255;
constexpr int16_t idle = -0x8000;  // the servo is not driven

// What is reported of a part: the row that decided, and whether it changed anything.
struct Decided {
    uint8_t row;
    bool changed;
};

struct State {
    Drive drive;
    Fork fork;
    Warning warning;
    Decided by_drive, by_fork, by_warning;
    uint16_t dropped;
    bool near;
    bool leaning;
    bool strained;
    uint8_t bales;
    uint8_t height;
    int8_t port_track;  // percent
    int8_t star_track;
    int8_t fork_motor;
    int16_t grip;  // tenths of a degree
    int8_t wiper;
    bool horn;
    bool beacon;
};

void begin(const Inputs& in);     // tick 0
void step(const Inputs& in);      // every later tick
void catch_up(const Inputs& in);  // a tick that comes late
void hear(Command command);       // between ticks
void turn_pace(int8_t percent);
const State& state();

}  // namespace behaviour

#endif
