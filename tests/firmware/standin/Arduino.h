// A stand-in for a core's header: the functions that a sketch for a board of one's own may call, and serial ports that a
// test feeds. It is there to compile a sketch on the desk, not to run it.
#ifndef STANDIN_ARDUINO_H
#define STANDIN_ARDUINO_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

constexpr uint8_t LOW = 0, HIGH = 1, INPUT = 0, OUTPUT = 1, INPUT_PULLUP = 2;
constexpr int RISING = 3, CHANGE = 1;
constexpr uint8_t A0 = 54, A1 = 55, A2 = 56, A3 = 57;

void pinMode(uint8_t pin, uint8_t mode);
void digitalWrite(uint8_t pin, uint8_t level);
int digitalRead(uint8_t pin);
int analogRead(uint8_t pin);
void analogReadResolution(int bits);
void analogWrite(uint8_t pin, int duty);
uint32_t micros();
uint32_t millis();
void delayMicroseconds(unsigned int us);
void tone(uint8_t pin, unsigned int hertz, unsigned long ms = 0);
void noTone(uint8_t pin);
int digitalPinToInterrupt(uint8_t pin);
void attachInterrupt(int number, void (*call)(), int mode);
void detachInterrupt(int number);
void interrupts();
void noInterrupts();

#define PROGMEM
inline uint8_t pgm_read_byte(const void* at)
{
    return *static_cast<const uint8_t*>(at);
}
inline uint16_t pgm_read_word(const void* at)
{
    uint16_t value;
    memcpy(&value, at, sizeof value);
    return value;
}

// Bytes that a test has put there, and those that the sketch has written.
class SerialPort {
public:
    uint8_t in[4096];
    size_t in_count = 0, in_at = 0;
    void begin(unsigned long) {}
    int available() { return static_cast<int>(in_count - in_at); }
    int read() { return in_at < in_count ? in[in_at++] : -1; }
    int availableForWrite() { return 63; }
    size_t write(uint8_t) { return 1; }
};

extern SerialPort Serial, Serial1, Serial2;

#endif
