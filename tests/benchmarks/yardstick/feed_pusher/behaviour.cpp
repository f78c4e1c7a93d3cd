// The feed pusher, written by hand, as well as we can: small, fast, and still to be read by whoever comes after.
//
// What an author of flesh and blood does here and a generator does not: nothing keeps count of rows or of dropped commands;
// halt needs no place in the queue; clocks run on unsaturated where the table never looks at them for that long.
#include "behaviour.h"

#include <string.h>

namespace behaviour {

constexpr uint8_t silent_ticks = 50;
constexpr uint8_t hold_ticks = 30;  // creep and retreat: for so long after they were last heard

static State now;
static uint16_t in_mode;        // ticks; looked at up to 5 s, in modes that end within 10 min
static uint16_t in_patrolling;  // ticks; looked at up to 10 min
static uint8_t since_any, since_creep, since_retreat;
static bool any_heard, creep_heard, retreat_heard;
static uint8_t low_supply;  // ticks with less than 6.6 V
static uint8_t fast, slow;  // where in their period the blinks are
static bool halt_waits;
static Command waiting[3];
static uint8_t waiting_count;

const State& state()
{
    return now;
}

static void note(Command command)
{
    any_heard = true;
    if (command == Command::creep) {
        creep_heard = true;
    } else if (command == Command::retreat) {
        retreat_heard = true;
    }
}

void hear(Command command)
{
    note(command);
    if (command == Command::halt) {
        halt_waits = true;
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

// Halt overtakes the others and drops them; else the earliest.
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
    ++in_mode;
    ++in_patrolling;
    if (since_any < silent_ticks) {
        ++since_any;
    }
    if (since_creep < hold_ticks) {
        ++since_creep;
    }
    if (since_retreat < hold_ticks) {
        ++since_retreat;
    }
    if (++fast == 20) {
        fast = 0;
    }
    if (++slow == 200) {
        slow = 0;
    }
}

static void restart_heard_clocks()
{
    if (any_heard) {
        any_heard = false;
        since_any = 0;
    }
    if (creep_heard) {
        creep_heard = false;
        since_creep = 0;
    }
    if (retreat_heard) {
        retreat_heard = false;
        since_retreat = 0;
    }
}

static void update_levels(const Inputs& in)
{
    if (!in.front.valid || in.front.value < 350) {
        now.blocked = true;
    } else if (in.front.value > 420) {
        now.blocked = false;
    }

    if (in.supply.valid && in.supply.value < 6600) {
        if (low_supply <= 100) {
            ++low_supply;
        }
        if (low_supply > 100) {
            now.flat = true;
        }
    } else {
        low_supply = 0;
        if (in.supply.valid && in.supply.value > 7200) {
            now.flat = false;
        }
    }
}

static void enter(Mode mode)
{
    if (mode != now.mode) {
        now.mode = mode;
        in_mode = 0;
    }
}

static void weigh_again()
{
    if (now.turns < 7) {
        ++now.turns;
    }
    enter(Mode::weigh);
}

static void decide(const Inputs& in, Command taken)
{
    if (now.flat || !in.supply.valid) {
        return enter(Mode::spent);
    }
    if (taken == Command::halt) {
        now.turns = 0;
        return enter(Mode::parked);
    }
    const bool silent = since_any >= silent_ticks;
    const bool hit = in.bumper || !in.front.valid;
    if (now.mode >= Mode::creeping) {
        if (silent) {
            return enter(Mode::parked);
        }
        if (hit) {
            return enter(Mode::jammed);
        }
    }

    switch (now.mode) {
    case Mode::parked:
        if (silent || hit) {
            break;  // nothing starts that would be stopped at once
        }
        if (taken == Command::retreat) {
            enter(Mode::retreating);
        } else if (taken == Command::patrol && !now.blocked) {
            now.turns = 0;
            in_patrolling = 0;
            enter(Mode::cruise);
        } else if (taken == Command::creep && !now.blocked) {
            enter(Mode::creeping);
        }
        break;
    case Mode::creeping:
        if (since_creep >= hold_ticks || now.blocked) {
            enter(Mode::parked);
        }
        break;
    case Mode::retreating:
        if (since_retreat >= hold_ticks) {
            enter(Mode::parked);
        }
        break;
    case Mode::cruise:
        if (now.blocked) {
            return weigh_again();
        }
        if (in_mode >= 500 && now.turns > 0) {
            now.turns = 0;
            return;
        }
        break;
    case Mode::weigh:
        if (now.turns > 6) {
            return enter(Mode::jammed);
        }
        if (in_mode >= 60) {
            if (!now.blocked) {
                return enter(Mode::cruise);
            }
            if (in.left.valid && in.left.value > 300) {
                return enter(Mode::swing_left);
            }
            if (in.right.valid && in.right.value > 300) {
                return enter(Mode::swing_right);
            }
            if (in_mode >= 400) {
                return enter(Mode::jammed);
            }
        }
        break;
    case Mode::swing_left:
    case Mode::swing_right:
        if (in_mode >= 60 && !now.blocked) {
            return enter(Mode::cruise);
        }
        if (in_mode >= 300) {
            return weigh_again();
        }
        break;
    default:
        break;
    }

    if (now.mode >= Mode::cruise && in_patrolling >= 60000U) {
        enter(Mode::parked);
    }
}

// A motor between one direction and the other is at rest for a tick.
static int8_t turned(int8_t shown, int8_t want)
{
    const bool reverses = shown != 0 && want != 0 && (shown ^ want) < 0;  // their signs differ
    return reverses ? int8_t{0} : want;
}

static void set_outputs()
{
    int8_t port = 0;
    int8_t star = 0;
    bool beacon = false;
    switch (now.mode) {
    case Mode::jammed:
        beacon = fast < 10;
        break;
    case Mode::spent:
        beacon = slow < 100;
        break;
    case Mode::creeping:
        port = star = 30;
        break;
    case Mode::retreating:
        port = star = -30;
        break;
    case Mode::cruise:
        port = star = 60;
        beacon = true;
        break;
    case Mode::weigh:
        beacon = true;
        break;
    case Mode::swing_left:
        port = -50;
        star = 50;
        beacon = true;
        break;
    case Mode::swing_right:
        port = 50;
        star = -50;
        beacon = true;
        break;
    default:
        break;
    }
    now.out.port_drive = turned(now.out.port_drive, port);
    now.out.star_drive = turned(now.out.star_drive, star);
    now.out.beacon = beacon;
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
    since_any = silent_ticks;
    since_creep = since_retreat = hold_ticks;
    any_heard = creep_heard = retreat_heard = halt_waits = false;
    low_supply = fast = slow = waiting_count = 0;
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
