// The bale mover, written by hand, as well as we can: small, fast, and still to be read by whoever comes after.
//
// What an author of flesh and blood does here and a generator does not: halt needs no place in the queue; a halt and silence,
// which stop every part, are looked at once for all of them.
// The two tracks keep a ramp each, though their modes ask for the same: they are two motors.
#include "behaviour.h"

#include <string.h>

namespace behaviour {

constexpr uint8_t silent_ticks = 40;
constexpr uint8_t drive_ticks = 50;  // ahead and back: for so long after they were last heard
constexpr uint8_t fork_ticks = 30;   // up and down
constexpr uint8_t grip_ticks = 60;
constexpr uint8_t level_ticks = 21;  // 200 ms, both ends counted
constexpr uint8_t height_ticks = 25;
constexpr uint8_t pause = 20;
constexpr int8_t ramp = 2;

struct Track {
    int8_t direction;
    uint8_t rested;
};

static State now;
static int8_t pace;
static uint8_t in_fork;
static uint8_t since_any, since_ahead, since_back, since_up, since_down;
static struct {
    bool any : 1, ahead : 1, back : 1, up : 1, down : 1, halt : 1;
} heard;  // halt waits there
static Command waiting[6];
static uint8_t waiting_count;
static uint8_t leaning_for, strained_for;
static uint8_t up_for, down_for;
static uint8_t blink_200, blink_500, blink_600;
static Track port, star;

const State& state()
{
    return now;
}

static void note(Command command)
{
    heard.any = true;
    switch (command) {
    case Command::ahead:
        heard.ahead = true;
        break;
    case Command::back:
        heard.back = true;
        break;
    case Command::up:
        heard.up = true;
        break;
    case Command::down:
        heard.down = true;
        break;
    default:
        break;
    }
}

void hear(Command command)
{
    note(command);
    if (command == Command::halt) {
        heard.halt = true;
        return;
    }
    if (command == Command::beat) {
        return;
    }
    for (uint8_t i = 0; i < waiting_count; ++i) {
        if (waiting[i] == command) {
            return;
        }
    }
    waiting[waiting_count++] = command;
}

void turn_pace(int8_t percent)
{
    pace = percent;
    heard.any = true;
}

// Halt overtakes the others and drops them; else the earliest.
static Command take()
{
    if (heard.halt) {
        heard.halt = false;
        const auto dropped = static_cast<uint16_t>(now.dropped + waiting_count);
        now.dropped = dropped < now.dropped ? UINT16_MAX : dropped;
        waiting_count = 0;
        return Command::halt;
    }
    if (waiting_count == 0) {
        return Command::none;
    }
    const Command first = waiting[0];
    --waiting_count;
    for (uint8_t i = 0; i < waiting_count; ++i) {
        waiting[i] = waiting[i + 1];
    }
    return first;
}

static void advance(uint8_t& clock, uint8_t limit)
{
    if (clock < limit) {
        ++clock;
    }
}

static void around(uint8_t& phase, uint8_t period)
{
    if (++phase == period) {
        phase = 0;
    }
}

static void tick_clocks()
{
    advance(in_fork, grip_ticks);
    advance(since_any, silent_ticks);
    advance(since_ahead, drive_ticks);
    advance(since_back, drive_ticks);
    advance(since_up, fork_ticks);
    advance(since_down, fork_ticks);
    around(blink_200, 20);
    around(blink_500, 50);
    around(blink_600, 60);
    if (now.fork == Fork::rising && ++up_for == height_ticks) {
        up_for = 0;
        if (now.height < 40) {
            ++now.height;
        }
    }
    if (now.fork == Fork::sinking && ++down_for == height_ticks) {
        down_for = 0;
        if (now.height > 0) {
            --now.height;
        }
    }
}

static void restart_heard_clocks()
{
    if (heard.any) {
        since_any = 0;
    }
    if (heard.ahead) {
        since_ahead = 0;
    }
    if (heard.back) {
        since_back = 0;
    }
    if (heard.up) {
        since_up = 0;
    }
    if (heard.down) {
        since_down = 0;
    }
    heard = {};
}

static bool lasts(uint8_t& ticks, bool condition)
{
    if (!condition) {
        ticks = 0;
        return false;
    }
    if (ticks == level_ticks) {
        return true;
    }
    ++ticks;
    return ticks == level_ticks;
}

static void update_levels(const Inputs& in)
{
    if (!in.front.valid || in.front.value < 600) {
        now.near = true;
    } else if (in.front.value > 800) {
        now.near = false;
    }

    const bool tilt_known = in.tilt.valid;
    const int16_t tilt = in.tilt.value;
    if (lasts(leaning_for, tilt_known && (tilt > 150 || tilt < -150))) {
        now.leaning = true;
    } else if (tilt_known && tilt < 120 && tilt > -120) {
        now.leaning = false;
    }

    const bool lifting_known = in.lifting.valid;
    const int16_t lifting = in.lifting.value;
    if (lasts(strained_for, lifting_known && lifting > 14000)) {
        now.strained = true;
    } else if (lifting_known && lifting < 10000) {
        now.strained = false;
    }
}

static void drive_goes(uint8_t row, Drive to)
{
    now.by_drive.row = row;
    now.by_drive.changed = to != now.drive;
    now.drive = to;
}

static void fork_goes(uint8_t row, Fork to)
{
    now.by_fork.row = row;
    if (to != now.fork) {
        now.by_fork.changed = true;
        now.fork = to;
        in_fork = 0;
    }
}

static void warning_goes(uint8_t row, Warning to)
{
    now.by_warning.row = row;
    now.by_warning.changed = to != now.warning;
    now.warning = to;
}

static void decide_drive(const Inputs& in, Command taken)
{
    const bool tipping = now.leaning || !in.tilt.valid;
    const bool blocked = now.near || !in.front.valid;
    switch (now.drive) {
    case Drive::standing:
        if (now.fork == Fork::holding && !tipping) {  // nothing starts that would be stopped at once
            if (taken == Command::ahead && !blocked) {
                drive_goes(4, Drive::forward);
            } else if (taken == Command::back) {
                drive_goes(5, Drive::backward);
            }
        }
        break;
    case Drive::forward:
        if (tipping) {
            drive_goes(2, Drive::standing);
        } else if (blocked) {
            drive_goes(3, Drive::standing);
        } else if (since_ahead >= drive_ticks) {
            drive_goes(6, Drive::standing);
        }
        break;
    case Drive::backward:
        if (tipping) {
            drive_goes(2, Drive::standing);
        } else if (since_back >= drive_ticks) {
            drive_goes(7, Drive::standing);
        }
        break;
    }
}

static void decide_fork(const Inputs& in, Command taken)
{
    const bool overloaded = now.strained || !in.lifting.valid;
    const bool both_ends = in.fork_top && in.fork_bottom;
    switch (now.fork) {
    case Fork::holding:
        if (now.drive != Drive::standing) {
            break;
        }
        if (taken == Command::clamp) {
            if (now.bales < 99) {
                ++now.bales;
            }
            fork_goes(6, Fork::clamping);
        } else if (taken == Command::release) {
            fork_goes(7, Fork::opening);
        } else if (!overloaded) {
            if (taken == Command::up && now.height < 40 && !in.fork_top) {
                fork_goes(4, Fork::rising);
            } else if (taken == Command::down && !in.fork_bottom) {
                fork_goes(5, Fork::sinking);
            }
        }
        break;
    case Fork::rising:
    case Fork::sinking:
        if (overloaded) {
            fork_goes(2, Fork::holding);
        } else if (both_ends) {
            fork_goes(3, Fork::holding);
        } else if (now.fork == Fork::rising) {
            if (in.fork_top || since_up >= fork_ticks) {
                fork_goes(8, Fork::holding);
            }
        } else if (in.fork_bottom) {
            now.height = 0;
            fork_goes(9, Fork::holding);
        } else if (since_down >= fork_ticks) {
            fork_goes(10, Fork::holding);
        }
        break;
    case Fork::clamping:
    case Fork::opening:
        if (in_fork >= grip_ticks) {
            fork_goes(11, Fork::holding);
        }
        break;
    }
}

static void decide_warning()
{
    if (now.drive == Drive::backward) {
        warning_goes(2, Warning::reversing);
    } else if (now.drive == Drive::forward || now.fork == Fork::rising || now.fork == Fork::sinking) {
        warning_goes(3, Warning::moving);
    } else if (now.warning != Warning::quiet) {
        warning_goes(4, Warning::quiet);
    }
}

// What stops every part at once.
static void stop_all(uint8_t row)
{
    drive_goes(row, Drive::standing);
    fork_goes(row, Fork::holding);
    warning_goes(row, Warning::quiet);
}

// Towards what is wanted by the ramp; at rest for the pause between one direction and the other.
static int8_t move(Track& track, int8_t at, int8_t want)
{
    const int8_t goal = at != 0 && (at ^ want) < 0 ? int8_t{0} : want;
    if (at < goal) {
        at = goal - at > ramp ? static_cast<int8_t>(at + ramp) : goal;
    } else {
        at = at - goal > ramp ? static_cast<int8_t>(at - ramp) : goal;
    }
    if (at != 0 && (track.direction == 0 || (at ^ track.direction) >= 0 || track.rested == pause)) {
        track.direction = at;
        track.rested = 0;
        return at;
    }
    advance(track.rested, pause);
    return 0;
}

static void set_outputs()
{
    if (now.drive == Drive::standing) {
        now.port_track = now.star_track = 0;
        advance(port.rested, pause);
        advance(star.rested, pause);
        now.wiper = 0;
    } else {
        const bool forward = now.drive == Drive::forward;
        const int8_t want = forward ? pace : int8_t{-30};
        now.port_track = move(port, now.port_track, want);
        now.star_track = move(star, now.star_track, want);
        now.wiper = forward ? 30 : 0;
    }

    int8_t lift = 0;
    switch (now.fork) {
    case Fork::rising:
        lift = now.fork_motor < 0 ? 0 : 70;
        break;
    case Fork::sinking:
        lift = now.fork_motor > 0 ? 0 : -50;
        break;
    case Fork::clamping:
        now.grip = 800;
        break;
    case Fork::opening:
        now.grip = 100;
        break;
    default:
        break;
    }
    now.fork_motor = lift;

    const bool reversing = now.warning == Warning::reversing;
    now.horn = reversing && blink_600 < 30;
    now.beacon = reversing ? blink_200 < 10 : now.warning == Warning::moving && blink_500 < 25;
}

static void decide_all(const Inputs& in, Command taken)
{
    update_levels(in);
    now.by_fork.changed = false;
    if (taken == Command::halt) {
        stop_all(0);
    } else if (since_any >= silent_ticks) {
        stop_all(1);
    } else {
        now.by_drive.row = now.by_fork.row = now.by_warning.row = no_row;
        now.by_drive.changed = now.by_warning.changed = false;
        decide_drive(in, taken);
        decide_fork(in, taken);
        decide_warning();
    }
    set_outputs();
}

void begin(const Inputs& in)
{
    memset(&now, 0, sizeof now);
    now.grip = idle;
    pace = 40;
    since_any = silent_ticks;
    since_ahead = since_back = drive_ticks;
    since_up = since_down = fork_ticks;
    in_fork = waiting_count = leaning_for = strained_for = up_for = down_for = blink_200 = blink_500 = blink_600 = 0;
    heard = {};
    port = star = {0, pause};
    decide_all(in, Command::none);
}

void step(const Inputs& in)
{
    const Command taken = take();
    if (taken != Command::none) {
        note(taken);
    }
    tick_clocks();
    restart_heard_clocks();
    decide_all(in, taken);
}

void catch_up(const Inputs& in)
{
    tick_clocks();
    decide_all(in, Command::none);
}

}  // namespace behaviour
