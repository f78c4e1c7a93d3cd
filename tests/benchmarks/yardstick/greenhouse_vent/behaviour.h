// The greenhouse vent, written by hand: see behaviour.cpp.
#ifndef GREENHOUSE_VENT_H
#define GREENHOUSE_VENT_H

#include <stdint.h>

namespace behaviour {

enum class Mode : uint8_t { resting, held, stalled, opening, shutting };

enum class Command : uint8_t { none, hold, resume };

struct Inputs {
    struct {
        int16_t value;  // tenths of a degree
        bool valid;
    } air;
    bool fully_open;
    bool fully_shut;
};

struct State {
    Mode mode;
    bool warm;
    bool cool;
    int8_t leaf;  // percent
    bool trouble;
};

void begin(const Inputs& in);     // tick 0
void step(const Inputs& in);      // every later tick
void catch_up(const Inputs& in);  // a tick that comes late
void hear(Command command);       // between ticks
const State& state();

}  // namespace behaviour

#endif
