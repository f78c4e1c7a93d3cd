// The stand-in core at work: virtual time, pins, two ultrasonic rangers, an analog input a pin. One call of micros() takes
// 4 us, a conversion 100 us; what is due happens then, interrupts included.
#include "Arduino.h"

SerialPort Serial, Serial1, Serial2;

namespace {

constexpr int pin_count = 70, ranger_count = 2;
uint32_t now_us;
uint8_t outputs[pin_count], inputs[pin_count];
int analog[pin_count], duty[pin_count];
void (*handler[pin_count])();

struct Ranger {
    uint8_t trigger, echo;
    int32_t echo_us;  // -1: its echo line never rises; -2: it is always high
    uint32_t triggered, rises, falls;
    bool waits, sounds;
} ranger[ranger_count];

void set_input(uint8_t pin, uint8_t level)
{
    if (inputs[pin] != level) {
        inputs[pin] = level;
        if (handler[pin] != nullptr) {
            handler[pin]();
        }
    }
}

void pass(uint32_t us)
{
    for (; us > 0; --us) {
        ++now_us;
        for (Ranger& each : ranger) {
            if (each.waits && now_us == each.rises) {
                each.waits = false;
                each.sounds = true;
                set_input(each.echo, HIGH);
            } else if (each.sounds && now_us == each.falls) {
                each.sounds = false;
                set_input(each.echo, LOW);
            }
        }
    }
}

}  // namespace

void pinMode(uint8_t pin, uint8_t mode)
{
    if (mode == INPUT_PULLUP && inputs[pin] == 2) {
        inputs[pin] = HIGH;
    }
}

void digitalWrite(uint8_t pin, uint8_t level)
{
    for (Ranger& each : ranger) {
        if (each.trigger == pin && level == HIGH) {
            each.triggered = now_us;
        }
        const bool long_enough = now_us - each.triggered >= 10;
        if (each.trigger == pin && level == LOW && outputs[pin] == HIGH && long_enough && !each.sounds && each.echo_us > 0) {
            each.waits = true;
            each.rises = now_us + 450;
            each.falls = each.rises + static_cast<uint32_t>(each.echo_us);
        }
    }
    outputs[pin] = level;
    duty[pin] = level == HIGH ? 255 : 0;
}

int digitalRead(uint8_t pin)
{
    return inputs[pin];
}

static int resolution = 10;

void analogReadResolution(int bits)
{
    resolution = bits;
}

int analogRead(uint8_t pin)
{
    pass(100);
    return analog[pin];
}

void analogWrite(uint8_t pin, int value)
{
    duty[pin] = value;
}

uint32_t micros()
{
    pass(4);
    return now_us;
}

uint32_t millis()
{
    return micros() / 1000;
}

void delayMicroseconds(unsigned int us)
{
    pass(us);
}

int digitalPinToInterrupt(uint8_t pin)
{
    return pin;
}

void attachInterrupt(int number, void (*call)(), int)
{
    handler[number] = call;
}

void detachInterrupt(int number)
{
    handler[number] = nullptr;
}

void interrupts() {}
void noInterrupts() {}
void tone(uint8_t, unsigned int, unsigned long) {}
void noTone(uint8_t) {}

void setup();
void loop();

extern "C" {

void core_start(uint32_t at_us)
{
    now_us = at_us;
    setup();
}

void core_run(uint32_t us)
{
    const uint32_t start = now_us;
    while (now_us - start < us) {
        loop();
    }
}

void core_ranger(int which, int trigger, int echo, int echo_us)
{
    ranger[which].trigger = static_cast<uint8_t>(trigger);
    ranger[which].echo = static_cast<uint8_t>(echo);
    ranger[which].echo_us = echo_us;
    if (echo_us == -2) {
        set_input(ranger[which].echo, HIGH);
    }
}

void core_input(int pin, int level)
{
    set_input(static_cast<uint8_t>(pin), static_cast<uint8_t>(level));
}

void core_analog(int pin, int value)
{
    analog[pin] = value;
}

int core_output(int pin)
{
    return outputs[pin];
}

int core_duty(int pin)
{
    return duty[pin];
}

void core_hear(const char* text)
{
    Serial1.in_count = strlen(text);
    memcpy(Serial1.in, text, Serial1.in_count);
    Serial1.in_at = 0;
}

}
