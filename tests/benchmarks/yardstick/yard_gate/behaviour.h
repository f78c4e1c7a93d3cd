// The yard gate, written by hand: see behaviour.cpp.
#ifndef YARD_GATE_H
#define YARD_GATE_H

#include <stdint.h>

namespace behaviour {

enum class Mode : uint8_t { halted, open_wide, closed, trouble, opening, backing, shutting };

enum class Command : uint8_t { none, halt, open, shut, key };

struct Inputs {
    struct {
        int16_t value;  // mA
        bool valid;
    } strain;
    bool beam;
    bool at_open;
    bool at_shut;
};

struct State {
    Mode mode;
    uint8_t tries;
    bool pinched;
    bool stalled;
    int8_t leaf;  // percent
    bool flasher;
};

void begin(const Inputs& in);     // tick 0
void step(const Inputs& in);      // every later tick
void catch_up(const Inputs& in);  // a tick that comes late
void hear(Command command);       // between ticks
const State& state();

}  // namespace behaviour

#endif
