// The hand-written gate behind the function that templates/firmware/desk.cpp.j2 gives a generated one; of the state it
// writes what both have.
#include "behaviour.h"

using namespace behaviour;

static Inputs in;

extern "C" const int32_t* statecraft_run(const int32_t* stream, int32_t ticks, int32_t* to)
{
    static const Command commands[] = {Command::halt, Command::open, Command::shut, Command::key};
    for (; ticks > 0; --ticks) {
        const int32_t how = *stream++;
        in.strain.valid = *stream != INT32_MIN;
        if (in.strain.valid) {
            in.strain.value = static_cast<int16_t>(*stream);
        }
        ++stream;
        in.beam = *stream++ != 0;
        in.at_open = *stream++ != 0;
        in.at_shut = *stream++ != 0;
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
        *to++ = now.tries;
        *to++ = now.pinched;
        *to++ = now.stalled;
        *to++ = now.leaf;
        *to++ = now.flasher;
    }
    return stream;
}
