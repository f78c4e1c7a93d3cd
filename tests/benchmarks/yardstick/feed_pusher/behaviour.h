// The feed pusher, written by hand: what its generated code is measured against. The same table, the same calls.
#ifndef YARDSTICK_BEHAVIOUR_H
#define YARDSTICK_BEHAVIOUR_H

#include <stdint.h>

namespace behaviour {

enum class Mode : uint8_t { parked, jammed, spent, creeping, retreating, cruise, weigh, swing_left, swing_right };

enum class Command : uint8_t { none, halt, patrol, creep, retreat, beat };

struct Reading {
    int16_t value;  // mm or mV
    bool valid;
};

struct Inputs {
    Reading front;
    Reading left;
    Reading right;
    Reading supply;
    bool bumper;
};

struct Outputs {
    int8_t port_drive;  // percent
    int8_t star_drive;
    bool beacon;
};

struct State {
    Mode mode;
    uint8_t turns;
    bool blocked;
    bool flat;
    Outputs out;
};

void begin(const Inputs& in);      // tick 0
void step(const Inputs& in);       // every later tick
void catch_up(const Inputs& in);   // a tick that comes late
void hear(Command command);        // between ticks
const State& state();

}  // namespace behaviour

#endif
