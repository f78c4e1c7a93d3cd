// The hand-written vent behind the function that templates/firmware/desk.cpp.j2 gives a generated one; of the state it
// writes what both have.
#include "behaviour.h"

using namespace behaviour;

static Inputs in;

extern "C" const int32_t* statecraft_run(const int32_t* stream, int32_t ticks, int32_t* to)
{
    for (; ticks > 0; --ticks) {
        const int32_t how = *stream++;
        in.air.valid = *stream != INT32_MIN;
        if (in.air.valid) {
            in.air.value = static_cast<int16_t>(*stream);
        }
        ++stream;
        in.fully_open = *stream++ != 0;
        in.fully_shut = *stream++ != 0;
        for (int32_t left = *stream++; left > 0; --left) {
            hear(*stream == 0 ? Command::hold : Command::resume);
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
        *to++ = now.warm;
        *to++ = now.cool;
        *to++ = now.leaf;
        *to++ = now.trouble;
    }
    return stream;
}
