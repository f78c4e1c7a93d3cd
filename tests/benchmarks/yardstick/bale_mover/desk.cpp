// The hand-written bale mover behind the function that templates/firmware/desk.cpp.j2 gives a generated one; of the state it
// writes what both have.
#include "behaviour.h"

using namespace behaviour;

static Inputs in;

static const int32_t* read(Reading& reading, const int32_t* at)
{
    reading.valid = *at != INT32_MIN;
    if (reading.valid) {
        reading.value = static_cast<int16_t>(*at);
    }
    return at + 1;
}

static int32_t* write(int32_t* to, const Decided& decided)
{
    *to++ = decided.row;
    *to++ = decided.changed;
    return to;
}

extern "C" const int32_t* statecraft_run(const int32_t* stream, int32_t ticks, int32_t* to)
{
    static const Command commands[] = {Command::halt, Command::beat, Command::ahead, Command::back,
                                       Command::up,   Command::down, Command::clamp, Command::release};
    for (; ticks > 0; --ticks) {
        const int32_t how = *stream++;
        stream = read(in.lifting, read(in.tilt, read(in.front, stream)));
        in.fork_top = *stream++ != 0;
        in.fork_bottom = *stream++ != 0;
        for (int32_t left = *stream++; left > 0; --left) {
            if (*stream < 8) {
                hear(commands[*stream]);
            } else {
                turn_pace(static_cast<int8_t>(stream[1]));
            }
            stream += 2;
        }
        if (how == 0) {
            begin(in);
        } else if (how == 1) {
            step(in);
        } else {
            catch_up(in);
        }
        const State& now = state();
        *to++ = static_cast<int32_t>(now.drive);
        to = write(to, now.by_drive);
        *to++ = static_cast<int32_t>(now.fork);
        to = write(to, now.by_fork);
        *to++ = static_cast<int32_t>(now.warning);
        to = write(to, now.by_warning);
        *to++ = now.dropped;
        *to++ = now.near;
        *to++ = now.leaning;
        *to++ = now.strained;
        *to++ = now.bales;
        *to++ = now.height;
        *to++ = now.port_track;
        *to++ = now.star_track;
        *to++ = now.fork_motor;
        *to++ = now.grip;
        *to++ = now.wiper;
        *to++ = now.horn;
        *to++ = now.beacon;
    }
    return stream;
}
