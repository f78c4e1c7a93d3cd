// A thin pin layer for a 32-bit chip without one of its maker's: the functions that a sketch calls for any board, over virtual
// time and pins that its host moves. pin_layer.cpp has it at work.
#ifndef PIN_LAYER_ARDUINO_H
#define PIN_LAYER_ARDUINO_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

constexpr uint8_t LOW = 0, HIGH = 1, INPUT = 0, OUTPUT = 1, INPUT_PULLUP = 2;
constexpr int CHANGE = 1, FALLING = 2, RISING = 3;
constexpr uint8_t A0 = 54, A1 = 55, A2 = 56, A3 = 57, A4 = 58, A5 = 59, A6 = 60, A7 = 61, A8 = 62, A9 = 63, A10 = 64,
                  A11 = 65, A12 = 66, A13 = 67, A14 = 68, A15 = 69;

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
inline uint32_t pgm_read_dword(const void* at)
{
    uint32_t value;
    memcpy(&value, at, sizeof value);
    return value;
}

// A serial port: what the host has sent, in a ring as a core has it. What the sketch writes goes nowhere.
class SerialPort {
public:
    void begin(unsigned long) {}
    int available() const { return static_cast<uint8_t>(end - at) % size; }
    int read() { return available() > 0 ? ring[at++ % size] : -1; }
    int availableForWrite() const { return size - 1; }
    size_t write(uint8_t) { return 1; }
    void receive(uint8_t byte)
    {
        if (available() < size - 1) {
            ring[end++ % size] = byte;
        }
    }

private:
    static constexpr uint8_t size = 64;
    uint8_t ring[size] = {};
    uint8_t at = 0, end = 0;
};

extern SerialPort Serial, Serial1, Serial2, Serial3;

#endif
