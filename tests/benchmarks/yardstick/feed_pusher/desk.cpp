// The hand-written feed pusher behind the function that templates/firmware/desk.cpp.j2 gives a generated one; of the state
// it writes what both have.
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

extern "C" const int32_t* statecraft_run(const int32_t* stream, int32_t ticks, int32_t* to)
{
    static const Command commands[] = {Command::halt, Command::beat, Command::patrol, Command::creep, Command::retreat};
    for (; ticks > 0; --ticks) {
        const int32_t how = *stream++;
        stream = read(in.supply, read(in.right, read(in.left, read(in.front, stream))));
        in.bumper = *stream++ != 0;
        for (int32_t left = *stream++; left > 0; --left) {
            hear(commands[*stream]);
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
        *to++ = static_cast<int32_t>(now.mode);
        *to++ = now.turns;
        *to++ = now.blocked;
        *to++ = now.flat;
        *to++ = now.out.port_drive;
        *to++ = now.out.star_drive;
        *to++ = now.out.beacon;
    }
    return stream;
}
