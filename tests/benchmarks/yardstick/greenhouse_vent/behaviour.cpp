// The greenhouse vent, written by hand, as well as we can: small, fast, and still to be read by whoever comes after.
//
// What an author of flesh and blood does here and a generator does not: a command that waits is a bit; the time of travel
// is only counted while the leaf travels; whether something is held back is seen to be whether the air is in fault.
#include "behaviour.h"

#include <string.h>

namespace behaviour {

constexpr uint16_t ten_seconds = 501;  // in ticks of 20 ms, both ends counted
constexpr uint16_t longest_travel = 2000;
constexpr uint8_t pause = 15;
constexpr uint8_t blink = 20;

static State now;
static uint16_t warm_for, cool_for, travelled;
static uint8_t phase, rested;
static int8_t direction;
static bool hold_waits, resume_waits;

const State& state()
{
    return now;
}

void hear(Command command)
{
    if (command == Command::hold) {
        hold_waits = true;
    } else {
        resume_waits = true;
    }
}

static bool lasts(uint16_t& ticks, bool condition)
{
    if (!condition) {
        ticks = 0;
        return false;
    }
    if (ticks < ten_seconds) {
        ++ticks;
    }
    return ticks == ten_seconds;
}

static void update_levels(const Inputs& in)
{
    const bool valid = in.air.valid;
    const int16_t air = in.air.value;
    if (lasts(warm_for, valid && air > 240)) {
        now.warm = true;
    } else if (valid && air < 220) {
        now.warm = false;
    }
    if (lasts(cool_for, valid && air < 180)) {
        now.cool = true;
    } else if (valid && air > 200) {
        now.cool = false;
    }
}

static void travel(Mode mode)
{
    now.mode = mode;
    travelled = 0;
}

static void decide(const Inputs& in, bool hold, bool resume)
{
    if (hold) {
        now.mode = Mode::held;
        return;
    }
    const bool valid = in.air.valid;
    if (now.mode >= Mode::opening && (!valid || (in.fully_open && in.fully_shut) || travelled >= longest_travel)) {
        now.mode = Mode::stalled;
        return;
    }
    switch (now.mode) {
    case Mode::resting:
        if (valid) {
            if (now.warm && !in.fully_open) {
                travel(Mode::opening);
            } else if (now.cool && !in.fully_shut) {
                travel(Mode::shutting);
            }
        }
        break;
    case Mode::opening:
        if (in.fully_open || now.cool) {
            now.mode = Mode::resting;
        }
        break;
    case Mode::shutting:
        if (in.fully_shut || now.warm) {
            now.mode = Mode::resting;
        }
        break;
    case Mode::held:
        if (resume) {
            now.mode = Mode::resting;
        }
        break;
    case Mode::stalled:
        if (resume && valid) {
            now.mode = Mode::resting;
        }
        break;
    }
}

static void drive()
{
    const int8_t way = now.mode == Mode::opening ? 1 : now.mode == Mode::shutting ? -1 : 0;
    if (way != 0 && (way == direction || direction == 0 || rested == pause)) {
        direction = way;
        rested = 0;
        now.leaf = way > 0 ? 100 : -100;
    } else {
        if (rested < pause) {
            ++rested;
        }
        now.leaf = 0;
    }
    now.trouble = now.mode == Mode::held || (now.mode == Mode::stalled && phase < blink / 2);
}

static void tick(const Inputs& in, bool hold, bool resume)
{
    if (travelled < longest_travel) {
        ++travelled;
    }
    if (++phase == blink) {
        phase = 0;
    }
    update_levels(in);
    decide(in, hold, resume);
    drive();
}

void begin(const Inputs& in)
{
    memset(&now, 0, sizeof now);
    warm_for = cool_for = 0;
    phase = 0;
    rested = pause;
    direction = 0;
    hold_waits = resume_waits = false;
    update_levels(in);
    decide(in, false, false);
    drive();
}

void step(const Inputs& in)
{
    const bool hold = hold_waits, resume = resume_waits;
    hold_waits = resume_waits = false;
    tick(in, hold, resume);
}

void catch_up(const Inputs& in)
{
    tick(in, false, false);
}

}  // namespace behaviour
