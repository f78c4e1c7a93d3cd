// The yard gate, written by hand, as well as we can: small, fast, and still to be read by whoever comes after.
//
// What an author of flesh and blood does here and a generator does not: halt needs no place in the queue; every speed is a whole
// number of ramp steps, so that the ramp never has to be cut short.
#include "behaviour.h"

#include <string.h>

namespace behaviour {

constexpr uint8_t pinched_ticks = 11;  // 100 ms, both ends counted
constexpr uint8_t stalled_ticks = 31;  // 300 ms
constexpr uint16_t backing_ticks = 200;
constexpr uint16_t open_ticks = 2000;
constexpr uint16_t opening_ticks = 2500;
constexpr uint16_t shutting_ticks = 3000;
constexpr uint8_t pause = 20;
constexpr int8_t ramp = 2;  // percent a tick; 60, 30 and 50 are whole numbers of it
constexpr uint8_t fast_blink = 20;
constexpr uint8_t slow_blink = 100; 

static State now;
static uint16_t in_mode;
static uint8_t pinched_for, stalled_for;
static uint8_t fast, slow;
static uint8_t rested;
static int8_t direction;
static bool halt_waits;
static Command waiting[3];
static uint8_t waiting_count;

const State& state()
{
    return now;
}

void hear(Command command)
{
    if (command == Command::halt) {
        halt_waits = true;
        return;
    }
    for (uint8_t i = 0; i < waiting_count; ++i) {
        if (waiting[i] == command) {
            return;
        }
    }
    waiting[waiting_count++] = command;
}

static Command take()
{
    if (halt_waits) {
        halt_waits = false;
        waiting_count = 0;
        return Command::halt;
    }
    if (waiting_count == 0) {
        return Command::none;
    }
    const Command first = waiting[0];
    waiting[0] = waiting[1];
    waiting[1] = waiting[2];
    --waiting_count;
    return first;
}

static void tick_clocks()
{
    if (in_mode < shutting_ticks) {
        ++in_mode;
    }
    if (++fast == fast_blink) {
        fast = 0;
    }
    if (++slow == slow_blink) {
        slow = 0;
    }
}

static void update_levels(const Inputs& in)
{
    if (!in.strain.valid) {
        pinched_for = stalled_for = 0;  // what is known stays so
        return;
    }
    const int16_t strain = in.strain.value;
    if (strain <= 3000) {
        pinched_for = 0;
    } else if (pinched_for == pinched_ticks - 1) {
        now.pinched = true;
    } else {
        ++pinched_for;
    }
    if (strain <= 6000) {
        stalled_for = 0;
    } else if (stalled_for == stalled_ticks - 1) {
        now.stalled = true;
    } else {
        ++stalled_for;
    }
    if (strain < 2000) {
        now.pinched = now.stalled = false;
    }
}

static void enter(Mode mode)
{
    if (mode != now.mode) {
        now.mode = mode;
        in_mode = 0;
    }
}

static void decide(const Inputs& in, Command taken)
{
    if (taken == Command::halt) {
        return enter(Mode::halted);
    }
    if (!in.strain.valid || (in.at_open && in.at_shut) || now.stalled) {
        if (now.mode >= Mode::opening) {
            enter(Mode::trouble);
        }
        return;  // every row from a mode at rest leads to one that slides
    }
    switch (now.mode) {
    case Mode::closed:
    case Mode::halted:
        if (taken == Command::open || taken == Command::key) {
            now.tries = 0;
            enter(Mode::opening);
        } else if (now.mode == Mode::halted && taken == Command::shut && !in.beam) {
            now.tries = 0;
            enter(Mode::shutting);
        }
        break;
    case Mode::open_wide:
        if (in.beam) {
            break;
        }
        if (taken == Command::shut || taken == Command::key) {
            now.tries = 0;
            enter(Mode::shutting);
        } else if (in_mode >= open_ticks && now.tries < 3) {
            enter(Mode::shutting);
        }
        break;
    case Mode::trouble:
        if (taken == Command::open) {
            now.tries = 0;
            enter(Mode::opening);
        }
        break;
    case Mode::opening:
        if (in_mode >= opening_ticks) {
            enter(Mode::trouble);
        } else if (in.at_open) {
            enter(Mode::open_wide);
        } else if (taken == Command::shut && !in.beam) {
            enter(Mode::shutting);
        } else if (taken == Command::key) {
            enter(Mode::halted);
        }
        break;
    case Mode::shutting:
        if (in_mode >= shutting_ticks) {
            enter(Mode::trouble);
        } else if (in.at_shut) {
            now.tries = 0;
            enter(Mode::closed);
        } else if (in.beam || now.pinched) {
            if (now.tries < 3) {
                ++now.tries;
            }
            enter(Mode::backing);
        } else if (taken == Command::open || taken == Command::key) {
            enter(Mode::opening);
        }
        break;
    case Mode::backing:
        if (in.at_open) {
            enter(Mode::open_wide);
        } else if (in_mode >= backing_ticks) {
            enter(Mode::opening);
        }
        break;
    }
}

// Towards what is wanted by the ramp; at rest for the pause between one direction and the other.
static void move(int8_t want)
{
    int8_t at = now.leaf;
    const int8_t goal = at != 0 && (at ^ want) < 0 ? int8_t{0} : want;
    if (at < goal) {
        at = static_cast<int8_t>(at + ramp);
    } else if (at > goal) {
        at = static_cast<int8_t>(at - ramp);
    }
    if (at != 0 && (direction == 0 || (at ^ direction) >= 0 || rested == pause)) {
        direction = at;
        rested = 0;
        now.leaf = at;
        return;
    }
    if (rested < pause) {
        ++rested;
    }
    now.leaf = 0;
}

static void set_outputs()
{
    bool flasher = slow < slow_blink / 2;
    switch (now.mode) {
    case Mode::opening:
        move(60);
        break;
    case Mode::backing:
        move(30);
        break;
    case Mode::shutting:
        move(-50);
        break;
    default:
        now.leaf = 0;
        if (rested < pause) {
            ++rested;
        }
        flasher = now.mode == Mode::trouble && fast < fast_blink / 2;
        break;
    }
    now.flasher = flasher;
}

static void decide_all(const Inputs& in, Command taken)
{
    update_levels(in);
    decide(in, taken);
    set_outputs();
}

void begin(const Inputs& in)
{
    memset(&now, 0, sizeof now);
    in_mode = 0;
    pinched_for = stalled_for = fast = slow = waiting_count = 0;
    rested = pause;
    direction = 0;
    halt_waits = false;
    decide_all(in, Command::none);
}

void step(const Inputs& in)
{
    const Command taken = take();
    tick_clocks();
    decide_all(in, taken);
}

void catch_up(const Inputs& in)
{
    tick_clocks();
    decide_all(in, Command::none);
}

}  // namespace behaviour
