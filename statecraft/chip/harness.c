/*
 * The simulated chip: runs one AVR program in exact cycles against pins, voltages, serial bytes and rangers.
 *
 * The instruction core, the counters, the watchdog and the interrupt table are libsimavr's. Its USARTs, its ADC, its
 * two-wire bus, its flag registers, and its waveforms on pins are replaced here, because in release 1.6 they are not exact enough to
 * judge firmware by; each section says what it replaces and why.
 *
 * Protocol, one command a line on stdin. Every command is answered by its events, one a line ("KIND CYCLE ..."), and
 * then by "done CYCLE" or "error TEXT". A command that takes a CYCLE is kept until then, or done at once if that has
 * passed.
 *
 *   run CYCLE                               run until that cycle
 *   watch PIN | state PIN                   PIN is a port letter and a bit, as PB5
 *   drive CYCLE PIN 0|1|z
 *   adc CYCLE CHANNEL MILLIVOLTS
 *   send USART BAUD START GAP HEX           bytes from cycle START on, GAP cycles of silence between them
 *   ranger TRIGGER ECHO DELAY LONGEST       rangers are numbered from 0; times in cycles
 *   range CYCLE RANGER CYCLES|none|dead|stuck
 *   poke CYCLE ADDRESS HEX | peek CYCLE ADDRESS COUNT
 *   device ADDRESS                          something on the two-wire bus: 256 registers behind a pointer
 *   registers CYCLE ADDRESS START HEX | answers CYCLE ADDRESS COUNT     bytes taken before it answers no more; -1: all
 *   profile START END                       profiles are numbered from 0; END -1 is the return to the caller
 *   report PROFILE
 *   reset                                   as the reset pin does
 */
#define _POSIX_C_SOURCE 200809L

#include <inttypes.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "sim_avr.h"
#include "sim_core.h"
#include "sim_elf.h"
#include "avr_adc.h"
#include "avr_extint.h"
#include "avr_ioport.h"
#include "avr_timer.h"
#include "avr_twi.h"
#include "avr_uart.h"
#include "avr_watchdog.h"

enum { BATCH = 100000, MAX_NOTES = 200, MAX_RANGERS = 64, MAX_PROFILES = 64, MAX_DEPTH = 64, MAX_OUTPUTS = 32 };

static avr_t *avr;
static FILE *out; /* the protocol; the library's own prints go to stderr */
static bool dead; /* the program crashed: no more cycles */
static bool asleep_for_good;
static int notes;
static bool stepping; /* one instruction a batch, for profiles */

static void say(const char *format, ...) __attribute__((format(printf, 1, 2)));
static void say(const char *format, ...) {
    va_list list;
    va_start(list, format);
    vfprintf(out, format, list);
    va_end(list);
    fputc('\n', out);
}

static void library_says(struct avr_t *from, const int level, const char *format, va_list list) {
    (void)from;
    if (level > LOG_WARNING || notes >= MAX_NOTES) return;
    notes++;
    char text[400];
    vsnprintf(text, sizeof text, format, list);
    for (char *c = text; *c; c++)
        if (*c < ' ') *c = ' ';
    say("note %" PRIu64 " %s", avr ? avr->cycle : 0, text);
}

static avr_io_write_t *writer(avr_io_addr_t address) {
    return &avr->io[AVR_DATA_TO_IO(address)].w.c;
}

static void set_writer(avr_io_addr_t address, avr_io_write_t call, void *param) {
    avr->io[AVR_DATA_TO_IO(address)].w.c = call;
    avr->io[AVR_DATA_TO_IO(address)].w.param = param;
}

static void set_reader(avr_io_addr_t address, avr_io_read_t call, void *param) {
    avr->io[AVR_DATA_TO_IO(address)].r.c = call;
    avr->io[AVR_DATA_TO_IO(address)].r.param = param;
}

/* The library does SBI as read, or, write; on the chip it touches one bit, which matters where writing 1 acts. */
static uint8_t written_ones(uint8_t value) {
    uint16_t opcode = avr->flash[avr->pc] | avr->flash[avr->pc + 1] << 8;
    return (opcode & 0xff00) == 0x9a00 ? 1 << (opcode & 7) : value;
}

/* ---- what waits for its cycle ------------------------------------------------------------------------------------ */

typedef struct Stream Stream;
typedef enum { DRIVE, VOLTAGE, RANGE, ECHO, POKE, PEEK, RX, REGISTERS, ANSWERS } Kind;
typedef struct {
    uint64_t cycle, order;
    Kind kind;
    int a, b;
    int64_t value;
    uint8_t *bytes; /* POKE, REGISTERS: owned */
    Stream *stream; /* RX */
} Due;

static Due *due;
static size_t due_count, due_room;
static uint64_t due_order;
static bool in_wake;

static void act(Due *d);

static bool earlier(const Due *x, const Due *y) {
    return x->cycle != y->cycle ? x->cycle < y->cycle : x->order < y->order;
}

static void due_push(Due d) {
    if (due_count == due_room) {
        due_room = due_room ? due_room * 2 : 256;
        due = realloc(due, due_room * sizeof *due);
        if (!due) abort();
    }
    d.order = due_order++;
    size_t i = due_count++;
    while (i && earlier(&d, &due[(i - 1) / 2])) {
        due[i] = due[(i - 1) / 2];
        i = (i - 1) / 2;
    }
    due[i] = d;
}

static Due due_pop(void) {
    Due first = due[0], last = due[--due_count];
    size_t i = 0;
    for (;;) {
        size_t child = 2 * i + 1;
        if (child >= due_count) break;
        if (child + 1 < due_count && earlier(&due[child + 1], &due[child])) child++;
        if (!earlier(&due[child], &last)) break;
        due[i] = due[child];
        i = child;
    }
    if (due_count) due[i] = last;
    return first;
}

static avr_cycle_count_t wake(struct avr_t *a, avr_cycle_count_t when, void *param) {
    (void)when, (void)param;
    in_wake = true;
    while (due_count && due[0].cycle <= a->cycle) {
        Due d = due_pop();
        act(&d);
    }
    in_wake = false;
    return due_count ? due[0].cycle : 0;
}

static void arm_wake(void) {
    if (due_count && !in_wake)
        avr_cycle_timer_register(avr, due[0].cycle > avr->cycle ? due[0].cycle - avr->cycle : 1, wake, NULL);
}

static void plan(Due d) {
    if (d.cycle <= avr->cycle && !in_wake) {
        act(&d);
        return;
    }
    due_push(d);
    arm_wake();
}

/* ---- interrupts: entry takes cycles, flags wait for their enable bit, and are cleared one by one ----------------- */

static int depth;
static uint64_t entered[MAX_DEPTH];
static uint64_t spent[MAX_DEPTH]; /* cycles in handlers that were entered at this depth */

static void running(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    avr_int_vector_t *vector = param;
    unsigned cost = 2 + avr->address_size; /* both of entry and of RETI; the library charges only RETI */
    if (value) {
        if (depth < MAX_DEPTH) entered[depth] = avr->cycle;
        depth++;
        avr->cycle += cost;
        avr->run_cycle_count = avr->run_cycle_count > cost ? avr->run_cycle_count - cost : 1;
    } else {
        if (depth && --depth < MAX_DEPTH) spent[depth] += avr->cycle + cost - entered[depth];
        /* A flag that only its cause clears asks again. */
        if (vector->raise_sticky && avr_regbit_get(avr, vector->raised)) avr_raise_interrupt(avr, vector);
    }
}

/* The library forgets a flag that was up before its interrupt was enabled. */
static void ask_again(avr_io_addr_t enable) {
    for (int i = 0; i < avr->interrupts.vector_count; i++) {
        avr_int_vector_t *v = avr->interrupts.vector[i];
        if (v->enable.reg == enable && !v->pending && avr_regbit_get(avr, v->enable) && avr_regbit_get(avr, v->raised))
            avr_raise_interrupt(avr, v);
    }
}

static void enable_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    a->data[address] = value;
    ask_again(address);
}

static void flags_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    value = written_ones(value);
    for (int i = 0; i < a->interrupts.vector_count; i++) {
        avr_int_vector_t *v = a->interrupts.vector[i];
        if (v->raised.reg == address && (value >> v->raised.bit & 1)) avr_clear_interrupt(a, v);
    }
    a->data[address] &= ~value;
}

/* ---- pins -------------------------------------------------------------------------------------------------------- */

typedef struct {
    avr_ioport_t *io;
    avr_io_write_t port_write, ddr_write;
    uint8_t mask, value; /* what drives the line from outside */
    uint8_t watched;
    uint8_t wave;    /* bits a counter drives */
    char state[8];   /* H, L driven; U pull-up; Z input; P counter output */
    int level[8];    /* -1: a waveform */
} Port;

static Port ports['L' - 'A' + 1];

typedef struct {
    Port *trigger_port, *echo_port;
    int trigger_bit, echo_bit;
    uint64_t delay, longest;
    int64_t range; /* cycles of echo */
    char mode;     /* e echo, n none, d dead, s stuck */
    bool high;
    uint64_t rose, busy_until;
    int generation;
} Ranger;

static Ranger rangers[MAX_RANGERS];
static int ranger_count;

static bool parse_pin(const char *text, Port **port, int *bit) {
    if (!text || strlen(text) != 3 || text[0] != 'P' || text[1] < 'A' || text[1] > 'L') return false;
    if (text[2] < '0' || text[2] > '7') return false;
    *port = &ports[text[1] - 'A'];
    *bit = text[2] - '0';
    return (*port)->io != NULL;
}

static void say_pin(const char *kind, Port *p, int bit) {
    say("%s %" PRIu64 " P%c%d %c %d", kind, avr->cycle, p->io->name, bit, p->state[bit], p->level[bit]);
}

static void trigger_edge(Ranger *r, int number, bool high) {
    if (high == r->high) return;
    r->high = high;
    if (high) {
        r->rose = avr->cycle;
        return;
    }
    uint64_t width = avr->cycle - r->rose;
    const char *outcome = "taken";
    if (width * 100000 < avr->frequency) outcome = "short"; /* under 10 us */
    else if (avr->cycle < r->busy_until) outcome = "busy";
    say("trigger %" PRIu64 " %d %" PRIu64 " %s", avr->cycle, number, width, outcome);
    if (*outcome != 't' || r->mode == 'd' || r->mode == 's') return;
    uint64_t rise = avr->cycle + r->delay;
    uint64_t fall = rise + (r->mode == 'n' ? r->longest : (uint64_t)r->range);
    r->busy_until = fall;
    plan((Due){.cycle = rise, .kind = ECHO, .a = number, .b = r->generation, .value = 1});
    plan((Due){.cycle = fall, .kind = ECHO, .a = number, .b = r->generation, .value = 0});
}

static void port_changed(Port *p) {
    uint8_t ddr = avr->data[p->io->r_ddr], port = avr->data[p->io->r_port];
    for (int bit = 0; bit < 8; bit++) {
        uint8_t m = 1 << bit;
        char state = ddr & m ? (p->wave & m ? 'P' : port & m ? 'H' : 'L') : port & m ? 'U' : 'Z';
        int level = state == 'P' ? -1 : state == 'H' ? 1 : state == 'L' ? 0
                  : p->mask & m ? (p->value & m) != 0 : state == 'U';
        /* The library leaves a floating line at its last level. */
        if (state == 'Z' && !(p->mask & m)) avr_raise_irq(p->io->io.irq + bit, 0);
        if (state == p->state[bit] && level == p->level[bit]) continue;
        p->state[bit] = state;
        p->level[bit] = level;
        if (p->watched & m) say_pin("pin", p, bit);
        for (int i = 0; i < ranger_count; i++)
            if (rangers[i].trigger_port == p && rangers[i].trigger_bit == bit)
                trigger_edge(&rangers[i], i, state == 'H');
    }
}

static void port_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    Port *p = param;
    p->port_write(a, address, value, p->io);
    port_changed(p);
}

static void ddr_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    Port *p = param;
    p->ddr_write(a, address, value, p->io);
    port_changed(p);
}

static void pin_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)address;
    Port *p = param;
    port_write(a, p->io->r_port, a->data[p->io->r_port] ^ written_ones(value), p);
}

/* level 0, 1, or -1 to let go */
static void drive(Port *p, int bit, int level) {
    uint8_t m = 1 << bit;
    p->mask = level < 0 ? p->mask & ~m : p->mask | m;
    p->value = level > 0 ? p->value | m : p->value & ~m;
    /* Without this the library raises every pulled-up line again at each write to its port. */
    avr_ioport_external_t external = {.name = p->io->name, .mask = p->mask, .value = p->value};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(p->io->name), &external);
    if (!(avr->data[p->io->r_ddr] & m))
        avr_raise_irq(p->io->io.irq + bit, level < 0 ? avr->data[p->io->r_port] >> bit & 1 : level);
    port_changed(p);
}

static void set_up_port(avr_ioport_t *io) {
    Port *p = &ports[io->name - 'A'];
    p->io = io;
    p->port_write = *writer(io->r_port);
    p->ddr_write = *writer(io->r_ddr);
    set_writer(io->r_port, port_write, p);
    set_writer(io->r_ddr, ddr_write, p);
    set_writer(io->r_pin, pin_write, p);
    if (io->pcint.vector) {
        set_writer(io->pcint.raised.reg, flags_write, NULL);
        set_writer(io->pcint.enable.reg, enable_write, NULL);
    }
    memset(p->state, 'Z', sizeof p->state);
}

/* The ATmega2560's second and third pin-change groups are missing in the library (register numbers: its data sheet). */
static avr_int_vector_t second_group = {
    .enable = AVR_IO_REGBIT(0x68, 1), .raised = AVR_IO_REGBIT(0x3b, 1), .vector = 10};

static void second_group_changed(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)value, (void)irq;
    if (avr->data[0x6c] & (uint8_t)(uintptr_t)param) avr_raise_interrupt(avr, &second_group);
}

static void add_pin_change_groups(void) {
    avr_ioport_t *k = ports['K' - 'A'].io;
    k->pcint = (avr_int_vector_t){.enable = AVR_IO_REGBIT(0x68, 2), .raised = AVR_IO_REGBIT(0x3b, 2), .vector = 11};
    k->r_pcint = 0x6d;
    avr_register_vector(avr, &k->pcint);
    avr_register_vector(avr, &second_group);
    avr_irq_register_notify(ports['E' - 'A'].io->io.irq, second_group_changed, (void *)(uintptr_t)1);
    for (int bit = 0; bit < 7; bit++)
        avr_irq_register_notify(ports['J' - 'A'].io->io.irq + bit, second_group_changed, (void *)(uintptr_t)(2 << bit));
}

/* ---- counter outputs: read from the registers, as duty, since the library knows too few of the modes ------------- */

typedef struct {
    avr_timer_t *timer; /* NULL: the ATmega32U4's counter 4, which the library lacks */
    int comp;
    Port *port;
    int bit;
    char told[80];
} Output;

typedef struct {
    avr_io_write_t call;
    void *param;
    avr_timer_t *timer;
} Wrapped;

static Output outputs[MAX_OUTPUTS];
static int output_count;
static Wrapped wrapped[64];
static int wrapped_count;

static void tell_output(Output *o, bool on, const char *text) {
    if (strcmp(o->told, text) == 0) return;
    snprintf(o->told, sizeof o->told, "%s", text);
    o->port->wave &= ~(1 << o->bit);
    for (int i = 0; i < output_count; i++) /* two counters can share a pin */
        if (outputs[i].port == o->port && outputs[i].bit == o->bit && strcmp(outputs[i].told, "off") != 0)
            on = true;
    if (on) o->port->wave |= 1 << o->bit;
    say("pwm %" PRIu64 " P%c%d %s", avr->cycle, o->port->io->name, o->bit, text);
    port_changed(o->port);
}

static void describe(Output *o, int com, bool clocked, const char *kind, unsigned compare, unsigned top,
                     unsigned prescale) {
    char text[80] = "off";
    const char *mode = !clocked ? "stopped" : com == 1 ? "wave" : kind;
    if (com) snprintf(text, sizeof text, "%s %d %u %u %u", mode, com == 3, compare, top, prescale);
    tell_output(o, com != 0, text);
}

static unsigned reg16(avr_io_addr_t low, avr_io_addr_t high) {
    return avr->data[low] | (high ? avr->data[high] << 8 : 0);
}

static void update_outputs(avr_timer_t *t) {
    int mode = avr_regbit_get_array(avr, t->wgm, ARRAY_SIZE(t->wgm));
    int cs = avr_regbit_get_array(avr, t->cs, ARRAY_SIZE(t->cs));
    unsigned a = reg16(t->comp[0].r_ocr, t->comp[0].r_ocrh), icr = t->r_icr ? reg16(t->r_icr, t->r_icrh) : 0;
    const char *kind = "wave";
    unsigned top = 0;
    if (!t->r_tcnth) {
        if (mode & 1) kind = mode & 2 ? "fast" : "phase", top = mode & 4 ? a : 255;
    } else if (mode == 14 || mode == 15) {
        kind = "fast", top = mode == 14 ? icr : a;
    } else if (mode >= 8 && mode <= 11) {
        kind = "phase", top = mode & 1 ? a : icr;
    } else if (mode < 8 && (mode & 3)) {
        kind = mode & 4 ? "fast" : "phase", top = (128u << (mode & 3)) - 1;
    }
    for (int i = 0; i < output_count; i++)
        if (outputs[i].timer == t) {
            avr_timer_comp_t *c = &t->comp[outputs[i].comp];
            describe(&outputs[i], avr_regbit_get(avr, c->com), cs != 0, kind, reg16(c->r_ocr, c->r_ocrh), top,
                     1u << (t->cs_div[cs] & 31));
        }
}

/* ATmega32U4 counter 4 (data sheet, 15.12): outputs A on PC7, B on PB6, D on PD7; its high bits are left out. */
static void update_counter4(void) {
    uint8_t *d = avr->data;
    static const struct { uint8_t control, com_shift, enable, compare; } pin[3] = {
        {0xc0, 6, 0x02, 0xcf}, {0xc0, 4, 0x01, 0xd0}, {0xc2, 2, 0x01, 0xd2}};
    int cs = d[0xc1] & 15;
    for (int i = 0, n = 0; i < output_count; i++)
        if (!outputs[i].timer) {
            uint8_t control = d[pin[n].control];
            int com = control >> pin[n].com_shift & 3;
            bool pwm = control & pin[n].enable;
            if (pwm && com == 1) com = 2; /* the true output, with its complement on another pin */
            const char *kind = !pwm ? "wave" : d[0xc3] & 1 ? "phase" : "fast";
            describe(&outputs[i], com, cs != 0, kind, d[pin[n].compare], d[0xd1], cs ? 1u << (cs - 1) : 1);
            n++;
        }
}

static void timer_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    Wrapped *w = param;
    w->call(a, address, value, w->param);
    update_outputs(w->timer);
}

static void counter4_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    a->data[address] = value;
    update_counter4();
}

static void wrap(avr_io_addr_t address, avr_timer_t *timer) {
    avr_io_write_t call = *writer(address);
    if (!address || !call || call == timer_write || wrapped_count == (int)ARRAY_SIZE(wrapped)) return;
    wrapped[wrapped_count] = (Wrapped){call, avr->io[AVR_DATA_TO_IO(address)].w.param, timer};
    set_writer(address, timer_write, &wrapped[wrapped_count++]);
}

static void add_output(avr_timer_t *timer, int comp, char port, int bit) {
    outputs[output_count++] =
        (Output){.timer = timer, .comp = comp, .port = &ports[port - 'A'], .bit = bit, .told = "off"};
}

static void set_up_timer(avr_timer_t *t) {
    bool wide = t->r_tcnth != 0;
    const avr_timer_wgm_t phase[3] = {AVR_TIMER_WGM_FCPWM8(), AVR_TIMER_WGM_FCPWM9(), AVR_TIMER_WGM_FCPWM10()};
    /* A mode the library does not know makes it overflow at every count: wrong, and very slow. */
    for (int i = 0; i < (wide ? 3 : 1); i++)
        if (!t->wgm_op[1 + i].kind) t->wgm_op[1 + i] = phase[i];
    if (!wide && !t->wgm_op[5].kind) t->wgm_op[5] = (avr_timer_wgm_t)AVR_TIMER_WGM_OCPWM();
    for (int i = 8; wide && i < 12; i++)
        if (!t->wgm_op[i].kind)
            t->wgm_op[i] = i & 1 ? (avr_timer_wgm_t)AVR_TIMER_WGM_OCPWM() : (avr_timer_wgm_t)AVR_TIMER_WGM_ICPWM();

    for (int i = 0; i < AVR_TIMER_COMP_COUNT; i++) {
        avr_timer_comp_t *c = &t->comp[i];
        if (!c->r_ocr || !c->com_pin.reg) continue;
        for (int n = 0; n < (int)ARRAY_SIZE(ports); n++)
            if (ports[n].io && ports[n].io->r_port == c->com_pin.reg) {
                /* The library gives the ATmega32U4 a pin for 3B that it does not have. */
                if (!(strcmp(avr->mmcu, "atmega32u4") == 0 && t->name == '3' && i == 1))
                    add_output(t, i, ports[n].io->name, c->com_pin.bit);
                avr_unconnect_irq(t->io.irq + TIMER_IRQ_OUT_COMP + i, ports[n].io->io.irq + c->com_pin.bit);
            }
        c->com_pin.reg = 0; /* so that a reset does not connect it again */
        wrap(c->r_ocr, t);
    }
    for (int i = 0; i < 4; i++) {
        if (t->wgm[i].reg) wrap(t->wgm[i].reg, t);
        if (t->cs[i].reg) wrap(t->cs[i].reg, t);
    }
    set_writer(t->overflow.raised.reg, flags_write, NULL);
    set_writer(t->overflow.enable.reg, enable_write, NULL);
}

static void set_up_counter4(void) {
    static const uint16_t registers[] = {0xc0, 0xc1, 0xc2, 0xc3, 0xc4, 0xcf, 0xd0, 0xd1, 0xd2};
    add_output(NULL, 0, 'C', 7);
    add_output(NULL, 1, 'B', 6);
    add_output(NULL, 3, 'D', 7);
    for (size_t i = 0; i < ARRAY_SIZE(registers); i++) set_writer(registers[i], counter4_write, NULL);
}

/* ---- USARTs: two received bytes and one arriving, one byte leaving and one waiting, each at its exact cycle ---------
 * The library's have a buffer of 64, eleven bits to every byte, and no second transmit buffer. */

enum { RXC = 0x80, TXC = 0x40, UDRE = 0x20, FE = 0x10, DOR = 0x08, U2X = 0x02, RXEN = 0x10, TXEN = 0x08 };

typedef struct {
    avr_uart_t *io;
    uint8_t received[2], bad[2];
    int count;
    bool waiting; /* a third byte, in the shift register */
    uint8_t wait_byte, wait_bad;
    bool sending, full;
    uint8_t shift, buffer;
    uint64_t started;
    uint64_t line_free; /* cycle at which the incoming line is idle again */
} Usart;

struct Stream {
    Usart *usart;
    uint64_t start, gap, baud;
    size_t count, next;
    bool arriving;
    uint8_t bytes[];
};

static Usart usarts[4];

static uint64_t cycles_a_bit(Usart *u) {
    unsigned rate = reg16(u->io->ubrrl.reg, u->io->ubrrh.reg) & 0xfff;
    return (uint64_t)(rate + 1) * (avr->data[u->io->r_ucsra] & U2X ? 8 : 16);
}

static uint64_t frame_cycles(Usart *u) {
    uint8_t c = avr->data[u->io->r_ucsrc];
    static const int sizes[] = {5, 6, 7, 8, 8, 8, 8, 9};
    int size = sizes[(c >> 1 & 3) | (avr->data[u->io->r_ucsrb] & 0x04)];
    return (uint64_t)(1 + size + (c & 0x20 ? 1 : 0) + (c & 0x08 ? 2 : 1)) * cycles_a_bit(u);
}

static void set_received(Usart *u) {
    uint8_t *a = &avr->data[u->io->r_ucsra];
    if (!u->count) {
        avr_clear_interrupt(avr, &u->io->rxc);
        *a &= ~(RXC | FE);
        return;
    }
    *a = u->bad[0] ? *a | FE : *a & ~FE;
    avr_raise_interrupt(avr, &u->io->rxc);
}

static void receive(Usart *u, uint8_t byte, uint64_t baud) {
    uint8_t number = u->io->name - '0', b = avr->data[u->io->r_ucsrb], c = avr->data[u->io->r_ucsrc];
    if (!(b & RXEN)) {
        say("lost %" PRIu64 " %d %d off", avr->cycle, number, byte);
        return;
    }
    /* Ten bits are read right while the two clocks differ by less than half a bit at the last: 4.5 % (data sheet). */
    double ratio = (double)avr->frequency / cycles_a_bit(u) / baud;
    bool bad = ratio < 0.955 || ratio > 1.045 || (c & 0x30) || (c & 0x06) != 0x06 || (b & 0x04);
    if (bad) {
        say("lost %" PRIu64 " %d %d framing", avr->cycle, number, byte);
        byte = ~byte;
    }
    if (u->count == 2) {
        u->waiting = true;
        u->wait_byte = byte;
        u->wait_bad = bad;
        return;
    }
    u->received[u->count] = byte;
    u->bad[u->count++] = bad;
    set_received(u);
}

static uint64_t byte_end(Stream *s, size_t n) {
    return s->start + n * s->gap + (n + 1) * 10 * (uint64_t)avr->frequency / s->baud;
}

static void plan_stream(Stream *s) {
    uint64_t end = byte_end(s, s->next), bits = 10 * (uint64_t)avr->frequency / s->baud;
    plan((Due){.cycle = s->arriving ? end : end - bits, .kind = RX, .stream = s});
}

static void step_stream(Stream *s) {
    if (!s->arriving) { /* a start bit: a byte that still waits is overrun */
        if (s->usart->waiting) {
            s->usart->waiting = false;
            avr->data[s->usart->io->r_ucsra] |= DOR;
            say("lost %" PRIu64 " %d %d overrun", avr->cycle, s->usart->io->name - '0', s->usart->wait_byte);
        }
        s->arriving = true;
    } else {
        receive(s->usart, s->bytes[s->next++], s->baud);
        s->arriving = false;
        if (s->next == s->count) {
            free(s);
            return;
        }
    }
    plan_stream(s);
}

static uint8_t udr_read(struct avr_t *a, avr_io_addr_t address, void *param) {
    (void)address;
    Usart *u = param;
    uint8_t byte = u->received[0];
    if (u->count) {
        u->received[0] = u->received[1];
        u->bad[0] = u->bad[1];
        u->count--;
        if (u->waiting) {
            u->received[u->count] = u->wait_byte;
            u->bad[u->count++] = u->wait_bad;
            u->waiting = false;
        }
        a->data[u->io->r_ucsra] &= ~DOR;
        set_received(u);
    }
    return byte;
}

static avr_cycle_count_t byte_sent(struct avr_t *a, avr_cycle_count_t when, void *param) {
    Usart *u = param;
    say("sent %" PRIu64 " %d %d %" PRIu64, when, u->io->name - '0', u->shift, u->started);
    if (!u->full) {
        u->sending = false;
        avr_raise_interrupt(a, &u->io->txc);
        return 0;
    }
    u->shift = u->buffer;
    u->full = false;
    u->started = when;
    avr_raise_interrupt(a, &u->io->udrc);
    return when + frame_cycles(u);
}

static void udr_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)address;
    Usart *u = param;
    if (!(a->data[u->io->r_ucsrb] & TXEN) || u->full) {
        say("lost %" PRIu64 " %d %d unsent", a->cycle, u->io->name - '0', value);
        return;
    }
    if (u->sending) {
        u->buffer = value;
        u->full = true;
        avr_clear_interrupt(a, &u->io->udrc);
        a->data[u->io->r_ucsra] &= ~UDRE;
        return;
    }
    u->sending = true;
    u->shift = value;
    u->started = a->cycle;
    avr_cycle_timer_register(a, frame_cycles(u), byte_sent, u);
    avr_raise_interrupt(a, &u->io->udrc); /* still empty: ask again */
}

static void ucsra_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    Usart *u = param;
    if (value & TXC) avr_clear_interrupt(a, &u->io->txc);
    a->data[address] = (a->data[address] & 0xfc) | (value & 0x03);
}

static void ucsrb_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    Usart *u = param;
    a->data[address] = value;
    if (!(value & RXEN) && (u->count || u->waiting)) {
        u->count = 0;
        u->waiting = false;
        set_received(u);
    }
    ask_again(address);
}

static void set_up_usart(avr_uart_t *io) {
    Usart *u = &usarts[io->name - '0'];
    u->io = io;
    set_reader(io->r_udr, udr_read, u);
    set_writer(io->r_udr, udr_write, u);
    set_reader(io->r_ucsra, NULL, NULL);
    set_writer(io->r_ucsra, ucsra_write, u);
    set_writer(io->r_ucsrb, ucsrb_write, u);
    set_writer(io->ubrrl.reg, NULL, NULL);
}

/* ---- the ADC: 1024 counts to the reference, of the channel and at the time the conversion starts --------------------
 * The library's has 1023, eight channels, and looks at channel and voltage when the result is read. */

enum { ADEN = 0x80, ADSC = 0x40, ADATE = 0x20, ADIF = 0x10 };

static avr_adc_t *adc;
static uint32_t channel_mv[16];
static uint32_t supply_mv = 5000, aref_mv = 5000;
static bool adc_first, adc_locked;
static unsigned adc_result;

static avr_cycle_count_t conversion_done(struct avr_t *a, avr_cycle_count_t when, void *param);

static uint64_t start_conversion(void) {
    avr_adc_mux_t mux = adc->muxmode[avr_regbit_get_array(avr, adc->mux, ARRAY_SIZE(adc->mux))];
    uint32_t reference = adc->ref_values[avr_regbit_get_array(avr, adc->ref, ARRAY_SIZE(adc->ref))];
    reference = reference == ADC_VREF_AREF ? aref_mv : reference <= ADC_VREF_AVCC ? supply_mv : reference;
    uint32_t mv = 0;
    if (mux.kind == ADC_MUX_SINGLE) mv = channel_mv[mux.src & 15];
    else if (mux.kind == ADC_MUX_REF) mv = mux.src;
    else say("note %" PRIu64 " ADC: only single channels are simulated", avr->cycle);
    adc_result = mv * 1024 / reference;
    if (adc_result > 1023) adc_result = 1023;
    int shift = avr->data[adc->r_adcsra] & 7;
    uint64_t cycles = (uint64_t)(adc_first ? 25 : 13) << (shift ? shift : 1);
    adc_first = false;
    return cycles;
}

static avr_cycle_count_t conversion_done(struct avr_t *a, avr_cycle_count_t when, void *param) {
    (void)param;
    unsigned value = avr_regbit_get(a, adc->adlar) ? adc_result << 6 : adc_result;
    if (!adc_locked) {
        a->data[adc->r_adcl] = value;
        a->data[adc->r_adch] = value >> 8;
    }
    avr_raise_interrupt(a, &adc->adc);
    if ((a->data[adc->r_adcsra] & ADATE) && avr_regbit_get_array(a, adc->adts, ARRAY_SIZE(adc->adts)) == 0)
        return when + start_conversion();
    a->data[adc->r_adcsra] &= ~ADSC;
    return 0;
}

static void adcsra_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    uint8_t old = a->data[address];
    if (value & ADIF) avr_clear_interrupt(a, &adc->adc);
    uint8_t flag = value & ADIF ? 0 : old & ADIF;
    if (!(value & ADEN)) {
        avr_cycle_timer_cancel(a, conversion_done, NULL);
        a->data[address] = (value & ~(ADSC | ADIF)) | flag;
    } else {
        a->data[address] = (value & ~ADIF) | flag | (old & ADSC);
        if (!(old & ADEN)) adc_first = true;
        if ((value & ADATE) && avr_regbit_get_array(a, adc->adts, ARRAY_SIZE(adc->adts)))
            say("note %" PRIu64 " ADC: only free running is simulated of the automatic triggers", a->cycle);
        if ((value & ADSC) && !(old & ADSC)) avr_cycle_timer_register(a, start_conversion(), conversion_done, NULL);
    }
    ask_again(address);
}

static uint8_t adcl_read(struct avr_t *a, avr_io_addr_t address, void *param) {
    (void)param;
    adc_locked = true;
    return a->data[address];
}

static uint8_t adch_read(struct avr_t *a, avr_io_addr_t address, void *param) {
    (void)param;
    adc_locked = false;
    return a->data[address];
}

static void set_up_adc(avr_adc_t *io) {
    adc = io;
    set_writer(io->r_adcsra, adcsra_write, NULL);
    set_reader(io->r_adcl, adcl_read, NULL);
    set_reader(io->r_adch, adch_read, NULL);
}

/* ---- the two-wire bus: the chip as its only master, a bit at a time only as far as that takes time -------------------
 * Status codes and times are those of the data sheet (two-wire serial interface); the library takes three microseconds
 * for whatever happens, and cannot hold a line low. A line that is driven low from outside is held so. */

enum { TWINT = 0x80, TWEA = 0x40, TWSTA = 0x20, TWSTO = 0x10, TWWC = 0x08, TWEN = 0x04, MAX_DEVICES = 16, MAX_LOG = 64 };
enum { TWBR = 0xb8, TWSR = 0xb9, TWDR = 0xbb, TWCR = 0xbc }; /* the same on all three chips */
enum { STARTED = 0x08, AGAIN = 0x10, LOST = 0x38, NOTHING = 0xf8 };

typedef struct {
    int address, most, taken; /* most: bytes that it takes before it answers no more; -1: all */
    uint8_t registers[256], pointer;
} Device;

static Device devices[MAX_DEVICES];
static int device_count;
static avr_int_vector_t own_twi = {
    .enable = AVR_IO_REGBIT(TWCR, 0), .raised = AVR_IO_REGBIT(TWCR, 7), .vector = 36, .raise_sticky = 1};

static struct {
    avr_int_vector_t *vector;
    Port *port;
    int sda, scl;
    enum { IDLE, START, STOP, SEND, TAKE } doing;
    bool owned; /* a START is out, and no STOP yet */
    Device *with;
    int address; /* -1: none yet */
    uint8_t log[MAX_LOG];
    int logged;
} bus;

static bool held(int bit) {
    return bus.port->mask >> bit & 1 && !(bus.port->value >> bit & 1);
}

static uint64_t bus_bit(void) {
    return 16 + 2 * (uint64_t)avr->data[TWBR] * (1u << 2 * (avr->data[TWSR] & 3));
}

static void bus_status(uint8_t status) {
    avr->data[TWSR] = (avr->data[TWSR] & 3) | status;
}

static void end_transfer(void) {
    if (bus.address >= 0) {
        fprintf(out, "bus %" PRIu64 " %d %d %d ", avr->cycle, bus.address >> 1, bus.address & 1, bus.with != NULL);
        for (int i = 0; i < bus.logged; i++) fprintf(out, "%02x", bus.log[i]);
        fputc('\n', out);
    }
    bus.address = -1;
    bus.with = NULL;
    bus.logged = 0;
}

static void bus_log(uint8_t byte) {
    if (bus.logged < MAX_LOG) bus.log[bus.logged++] = byte;
}

static Device *device_at(int address) {
    for (int i = 0; i < device_count; i++)
        if (devices[i].address == address) return &devices[i];
    return NULL;
}

static bool takes(Device *device, uint8_t byte) {
    if (!device || (device->most >= 0 && device->taken >= device->most)) return false;
    if (device->taken++ == 0) device->pointer = byte;
    else device->registers[device->pointer++] = byte;
    return true;
}

static uint8_t address_sent(uint8_t byte) {
    Device *device = device_at(byte >> 1);
    bus.address = byte;
    bus.with = device && device->most != 0 ? device : NULL;
    if (bus.with) bus.with->taken = 0;
    if (byte & 1) return bus.with ? 0x40 : 0x48;
    return bus.with ? 0x18 : 0x20;
}

/* What is being done is done; 0 where nothing happens any more, else when to look again. */
static avr_cycle_count_t bus_done(struct avr_t *a, avr_cycle_count_t when, void *param) {
    (void)param;
    uint8_t *control = &a->data[TWCR], *data = &a->data[TWDR], status = a->data[TWSR] & 0xf8;
    if (held(bus.scl)) return when + bus_bit();
    switch (bus.doing) {
    case START:
        if (held(bus.sda)) return when + bus_bit(); /* the bus is not free */
        end_transfer();
        status = bus.owned ? AGAIN : STARTED;
        bus.owned = true;
        break;
    case STOP:
        if (held(bus.sda)) return when + bus_bit();
        end_transfer();
        bus.owned = false;
        bus_status(NOTHING);
        *control &= ~TWSTO;
        bus.doing = *control & TWSTA ? START : IDLE;
        return bus.doing == START ? when + bus_bit() : 0;
    case SEND:
        if (held(bus.sda) && *data) { /* a one that was sent is not there */
            end_transfer();
            bus.owned = false;
            status = LOST;
        } else if (status == STARTED || status == AGAIN) {
            status = address_sent(*data);
        } else {
            bus_log(*data);
            status = takes(bus.with, *data) ? 0x28 : 0x30;
        }
        break;
    case TAKE:
        *data = held(bus.sda) ? 0 : bus.with ? bus.with->registers[bus.with->pointer++] : 0xff;
        bus_log(*data);
        status = *control & TWEA ? 0x50 : held(bus.sda) ? LOST : 0x58;
        break;
    case IDLE: return 0;
    }
    bus.doing = IDLE;
    bus_status(status);
    avr_raise_interrupt(a, bus.vector);
    return 0;
}

static void twcr_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    uint8_t flag = value & TWINT ? 0 : a->data[address] & TWINT, status = a->data[TWSR] & 0xf8;
    if (value & TWINT) avr_clear_interrupt(a, bus.vector);
    a->data[address] = (value & ~(TWINT | TWWC)) | flag;
    if (!(value & TWEN)) {
        avr_cycle_timer_cancel(a, bus_done, NULL);
        end_transfer();
        bus.doing = IDLE;
        bus.owned = false;
        bus_status(NOTHING);
        a->data[address] &= ~(TWSTO | TWINT);
        return;
    }
    if (!flag && bus.doing == IDLE) {
        if (value & TWSTO) bus.doing = STOP;
        else if (value & TWSTA) bus.doing = START;
        else if (status == STARTED || status == AGAIN || (status >= 0x18 && status <= 0x30)) bus.doing = SEND;
        else if (status == 0x40 || status == 0x50) bus.doing = TAKE;
        else if (status != NOTHING) bus.owned = false;
        if (!bus.owned && bus.doing != START) bus.doing = bus.doing == STOP ? STOP : IDLE;
        if (bus.doing != IDLE)
            avr_cycle_timer_register(a, bus_bit() * (bus.doing == SEND || bus.doing == TAKE ? 9 : 1), bus_done, NULL);
    }
    ask_again(address);
}

static void twdr_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    if (bus.doing != SEND && bus.doing != TAKE) a->data[address] = value;
    else a->data[TWCR] |= TWWC;
}

static void twsr_write(struct avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    a->data[address] = (a->data[address] & 0xf8) | (value & 3);
}

static void set_up_bus(void) {
    bool small = strncmp(avr->mmcu, "atmega328", 9) == 0;
    bus.port = &ports[(small ? 'C' : 'D') - 'A'];
    bus.sda = small ? 4 : 1;
    bus.scl = small ? 5 : 0;
    bus.address = -1;
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (strcmp(io->kind, "twi") == 0) bus.vector = &((avr_twi_t *)io)->twi;
    if (!bus.vector) avr_register_vector(avr, bus.vector = &own_twi);
    set_writer(TWBR, NULL, NULL);
    set_writer(TWSR, twsr_write, NULL);
    set_reader(TWDR, NULL, NULL);
    set_writer(TWDR, twdr_write, NULL);
    set_writer(TWCR, twcr_write, NULL);
}

/* ---- profiles ---------------------------------------------------------------------------------------------------- */

typedef struct {
    int64_t start, end;
    bool active;
    uint16_t stack;
    int depth;
    uint64_t began, interrupts;
    uint64_t count, min, max, total, own_min, own_max, own_total;
} Profile;

static Profile profiles[MAX_PROFILES];
static int profile_count;

static void profile_step(void) {
    uint16_t stack = avr->data[R_SPL] | avr->data[R_SPH] << 8;
    for (int i = 0; i < profile_count; i++) {
        Profile *p = &profiles[i];
        if (p->active && (p->end < 0 ? stack >= p->stack + avr->address_size : avr->pc == p->end)) {
            uint64_t all = avr->cycle - p->began;
            uint64_t own = all - (p->depth < MAX_DEPTH ? spent[p->depth] - p->interrupts : 0);
            p->active = false;
            if (!p->count || all < p->min) p->min = all;
            if (!p->count || own < p->own_min) p->own_min = own;
            if (all > p->max) p->max = all;
            if (own > p->own_max) p->own_max = own;
            p->total += all;
            p->own_total += own;
            p->count++;
        }
        if (!p->active && avr->pc == p->start) {
            p->active = true;
            p->stack = stack;
            p->depth = depth;
            p->began = avr->cycle;
            p->interrupts = depth < MAX_DEPTH ? spent[depth] : 0;
        }
    }
}

/* ---- running ----------------------------------------------------------------------------------------------------- */

static void act(Due *d) {
    Ranger *r = d->kind == RANGE || d->kind == ECHO ? &rangers[d->a] : NULL;
    switch (d->kind) {
    case DRIVE: drive(&ports[d->a], d->b, d->value); break;
    case VOLTAGE: channel_mv[d->a] = d->value; break;
    case RANGE:
        if (r->mode == 's' || d->b == 's') {
            r->generation++; /* echoes on their way are gone */
            r->busy_until = 0;
            drive(r->echo_port, r->echo_bit, d->b == 's');
            say("echo %" PRIu64 " %d %d", avr->cycle, d->a, d->b == 's');
        }
        r->mode = d->b;
        r->range = d->value;
        break;
    case ECHO:
        if (d->b != r->generation) break;
        drive(r->echo_port, r->echo_bit, d->value);
        say("echo %" PRIu64 " %d %d", avr->cycle, d->a, (int)d->value);
        break;
    case POKE:
        memcpy(&avr->data[d->a], d->bytes, d->value);
        free(d->bytes);
        break;
    case PEEK:
        fprintf(out, "peek %" PRIu64 " %d ", avr->cycle, d->a);
        for (int i = 0; i < d->value; i++) fprintf(out, "%02x", avr->data[d->a + i]);
        fputc('\n', out);
        break;
    case RX: step_stream(d->stream); break;
    case REGISTERS:
        for (int i = 0; i < d->value; i++) devices[d->a].registers[(d->b + i) & 255] = d->bytes[i];
        free(d->bytes);
        break;
    case ANSWERS: devices[d->a].most = d->value; break;
    }
}

/* What a reset leaves undone in the library: it drops every cycle timer, and keeps stale state of pins and counters. */
static void after_reset(void) {
    avr->run_cycle_limit = stepping ? 1 : BATCH;
    depth = 0;
    asleep_for_good = false;
    for (int i = 0; i < profile_count; i++) profiles[i].active = false;
    for (int i = 0; i < EXTINT_COUNT; i++) avr_extint_set_strict_lvl_trig(avr, i, 0); /* polls at every cycle */
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (strcmp(io->kind, "timer") == 0) {
            avr_timer_t *t = (avr_timer_t *)io;
            t->cs_div_value = 0;
            t->tov_cycles = 0;
            t->mode = t->wgm_op[0];
            t->wgm_op_mode_kind = t->mode.kind;
            t->wgm_op_mode_size = (1 << t->mode.size) - 1;
            update_outputs(t);
        }
    if (strcmp(avr->mmcu, "atmega32u4") == 0) {
        avr->data[0xd1] = 0xff;
        update_counter4();
    }
    for (size_t i = 0; i < ARRAY_SIZE(usarts); i++) {
        Usart *u = &usarts[i];
        if (!u->io) continue;
        u->count = 0;
        u->waiting = u->sending = u->full = false;
        avr->data[u->io->r_ucsra] = UDRE;
        avr->data[u->io->r_ucsrb] = 0; /* the library leaves the transmitter on */
        avr->data[u->io->r_ucsrc] = 0x06;
    }
    adc_locked = false;
    end_transfer();
    bus.doing = IDLE;
    bus.owned = false;
    avr->data[TWSR] = NOTHING;
    avr->data[TWDR] = 0xff;
    for (size_t i = 0; i < ARRAY_SIZE(ports); i++) {
        Port *p = &ports[i];
        if (!p->io) continue;
        for (int bit = 0; bit < 8; bit++) avr_raise_irq(p->io->io.irq + bit, p->value >> bit & 1);
        avr->data[p->io->r_pin] = p->value;
        port_changed(p);
    }
    arm_wake();
}

static void reset_chip(bool watchdog) {
    uint8_t *flags = &avr->data[avr->reset_flags.wdrf.reg];
    uint8_t kept = *flags; /* the reasons add up until the program clears them */
    say("reset %" PRIu64 " %s", avr->cycle, watchdog ? "watchdog" : "pin");
    if (watchdog) avr->run(avr);
    else avr_reset(avr);
    *flags |= kept;
    if (!watchdog) avr_regbit_set(avr, avr->reset_flags.extrf);
    after_reset();
}

static avr_cycle_count_t stop(struct avr_t *a, avr_cycle_count_t when, void *param) {
    (void)a, (void)when, (void)param;
    return 0;
}

static void no_sleep(struct avr_t *a, avr_cycle_count_t cycles) {
    (void)a, (void)cycles;
}

static void run_until(uint64_t target) {
    if (dead || avr->cycle >= target) return;
    avr_cycle_timer_register(avr, target - avr->cycle, stop, NULL); /* so that no batch and no sleep goes past it */
    while (avr->cycle < target) {
        if (avr->run != avr_callback_run_raw) {
            reset_chip(true);
            if (avr->cycle < target) avr_cycle_timer_register(avr, target - avr->cycle, stop, NULL);
            continue;
        }
        if (avr->state == cpu_Done) { /* asleep with interrupts off: only a reset helps */
            if (!asleep_for_good) say("halt %" PRIu64 " asleep %" PRIu32, avr->cycle, avr->pc);
            asleep_for_good = true;
            uint64_t next = avr_cycle_timer_process(avr);
            if (avr->run == avr_callback_run_raw) avr->cycle += next < target - avr->cycle ? next : target - avr->cycle;
            continue;
        }
        avr->run(avr);
        if (avr->state == cpu_Crashed || avr->state == cpu_Stopped) {
            dead = true;
            say("halt %" PRIu64 " crash %" PRIu32, avr->cycle, avr->pc);
            return;
        }
        if (stepping) profile_step();
    }
}

/* ---- commands ---------------------------------------------------------------------------------------------------- */

static bool number(const char *text, int64_t *value) {
    if (!text) return false;
    char *end;
    *value = strtoll(text, &end, 10);
    return *text && !*end;
}

/* Returns bytes to free, or NULL. */
static uint8_t *from_hex(const char *text, size_t *count, size_t before) {
    size_t length = text ? strlen(text) : 0;
    if (!length || length % 2 || strspn(text, "0123456789abcdef") != length) return NULL;
    *count = length / 2;
    uint8_t *bytes = calloc(1, before + *count + 8); /* never less than a padded struct */
    if (!bytes) abort();
    for (size_t i = 0; i < *count; i++) {
        char digits[3] = {text[2 * i], text[2 * i + 1], 0};
        bytes[before + i] = strtol(digits, NULL, 16);
    }
    return bytes;
}

static bool in_memory(int64_t address, int64_t count) {
    return address >= 0 && count > 0 && address + count <= (int64_t)avr->ramend + 1;
}

static const char *command(char *line) {
    char *word[7] = {0}, *rest = line;
    for (int i = 0; i < 7; i++) word[i] = strtok_r(rest, " \n", &rest);
    char **w = word + 1;
    const char *name = word[0] ? word[0] : "";
    int64_t at, x, y, z;
    Port *port, *other;
    int bit, bit2;
    size_t count;
    if (strcmp(name, "run") == 0) {
        if (!number(w[0], &at)) return "run CYCLE";
        run_until(at);
    } else if (strcmp(name, "watch") == 0 || strcmp(name, "state") == 0) {
        if (!parse_pin(w[0], &port, &bit)) return "no such pin";
        if (*name == 'w') {
            if (!(port->watched >> bit & 1)) say_pin("pin", port, bit);
            port->watched |= 1 << bit;
        } else {
            say_pin("state", port, bit);
        }
    } else if (strcmp(name, "drive") == 0) {
        if (!number(w[0], &at) || !w[2]) return "drive CYCLE PIN 0|1|z";
        if (!parse_pin(w[1], &port, &bit)) return "no such pin";
        plan((Due){.cycle = at, .kind = DRIVE, .a = port - ports, .b = bit, .value = *w[2] == 'z' ? -1 : *w[2] == '1'});
    } else if (strcmp(name, "adc") == 0) {
        if (!number(w[0], &at) || !number(w[1], &x) || !number(w[2], &y)) return "adc CYCLE CHANNEL MILLIVOLTS";
        if (x < 0 || x > 15) return "no such channel";
        plan((Due){.cycle = at, .kind = VOLTAGE, .a = x, .value = y < 0 ? 0 : y});
    } else if (strcmp(name, "send") == 0) {
        if (!number(w[0], &x) || !number(w[1], &y) || !number(w[2], &at) || !number(w[3], &z) || y <= 0 || z < 0)
            return "send USART BAUD START GAP HEX";
        if (x < 0 || x > 3 || !usarts[x].io) return "no such USART";
        Stream *s = (Stream *)from_hex(w[4], &count, offsetof(Stream, bytes));
        if (!s) return "bad bytes";
        s->usart = &usarts[x];
        s->start = at;
        s->gap = z;
        s->baud = y;
        s->count = count;
        if (s->start < avr->cycle || s->start < s->usart->line_free) {
            free(s);
            return "the line is still busy then";
        }
        s->usart->line_free = byte_end(s, count - 1);
        plan_stream(s);
    } else if (strcmp(name, "ranger") == 0) {
        if (!parse_pin(w[0], &port, &bit) || !parse_pin(w[1], &other, &bit2)) return "no such pin";
        if (!number(w[2], &x) || !number(w[3], &y) || x < 1 || y < 1) return "ranger TRIGGER ECHO DELAY LONGEST";
        if (ranger_count == MAX_RANGERS) return "too many rangers";
        rangers[ranger_count++] = (Ranger){.trigger_port = port, .trigger_bit = bit, .echo_port = other,
                                           .echo_bit = bit2, .delay = x, .longest = y, .mode = 'n',
                                           .high = port->state[bit] == 'H', .rose = avr->cycle};
        drive(other, bit2, 0);
    } else if (strcmp(name, "range") == 0) {
        if (!number(w[0], &at) || !number(w[1], &x) || !w[2]) return "range CYCLE RANGER CYCLES|none|dead|stuck";
        if (x < 0 || x >= ranger_count) return "no such ranger";
        char mode = *w[2] == 'n' || *w[2] == 'd' || *w[2] == 's' ? *w[2] : 'e';
        y = 0;
        if (mode == 'e' && (!number(w[2], &y) || y < 1)) return "a range is at least one cycle";
        plan((Due){.cycle = at, .kind = RANGE, .a = x, .b = mode, .value = y});
    } else if (strcmp(name, "poke") == 0) {
        if (!number(w[0], &at) || !number(w[1], &x)) return "poke CYCLE ADDRESS HEX";
        uint8_t *bytes = from_hex(w[2], &count, 0);
        if (!bytes) return "bad bytes";
        if (!in_memory(x, count)) {
            free(bytes);
            return "outside the memory";
        }
        plan((Due){.cycle = at, .kind = POKE, .a = x, .value = count, .bytes = bytes});
    } else if (strcmp(name, "peek") == 0) {
        if (!number(w[0], &at) || !number(w[1], &x) || !number(w[2], &y)) return "peek CYCLE ADDRESS COUNT";
        if (!in_memory(x, y)) return "outside the memory";
        plan((Due){.cycle = at, .kind = PEEK, .a = x, .value = y});
    } else if (strcmp(name, "device") == 0) {
        if (!number(w[0], &x) || x < 0 || x > 127 || device_at(x)) return "device ADDRESS, each once";
        if (device_count == MAX_DEVICES) return "too many devices";
        devices[device_count++] = (Device){.address = x, .most = -1};
    } else if (strcmp(name, "registers") == 0 || strcmp(name, "answers") == 0) {
        if (!number(w[0], &at) || !number(w[1], &x) || !number(w[2], &y)) return "registers CYCLE ADDRESS START HEX";
        Device *device = device_at(x);
        if (!device) return "no such device";
        if (*name == 'a') {
            plan((Due){.cycle = at, .kind = ANSWERS, .a = device - devices, .value = y});
        } else {
            uint8_t *bytes = from_hex(w[3], &count, 0);
            if (!bytes || y < 0 || y > 255) return "bad bytes";
            plan((Due){.cycle = at, .kind = REGISTERS, .a = device - devices, .b = y, .value = count, .bytes = bytes});
        }
    } else if (strcmp(name, "profile") == 0) {
        if (!number(w[0], &x) || !number(w[1], &y)) return "profile START END";
        if (profile_count == MAX_PROFILES) return "too many profiles";
        profiles[profile_count++] = (Profile){.start = x, .end = y};
        stepping = true;
        avr->run_cycle_limit = avr->run_cycle_count = 1;
    } else if (strcmp(name, "report") == 0) {
        if (!number(w[0], &x) || x < 0 || x >= profile_count) return "no such profile";
        Profile *p = &profiles[x];
        say("report %" PRIu64 " %d %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64,
            avr->cycle, (int)x, p->count, p->min, p->max, p->total, p->own_min, p->own_max, p->own_total);
    } else if (strcmp(name, "reset") == 0) {
        reset_chip(false);
    } else {
        return "no such command";
    }
    return NULL;
}

static void set_up(void) {
    avr_timer_t *timers[8];
    int timer_count = 0;
    for (avr_io_t *io = avr->io_port; io; io = io->next) {
        if (strcmp(io->kind, "port") == 0) set_up_port((avr_ioport_t *)io);
        else if (strcmp(io->kind, "uart") == 0) set_up_usart((avr_uart_t *)io);
        else if (strcmp(io->kind, "adc") == 0) set_up_adc((avr_adc_t *)io);
        else if (strcmp(io->kind, "timer") == 0 && timer_count < 8) timers[timer_count++] = (avr_timer_t *)io;
        else if (strcmp(io->kind, "extint") == 0) {
            avr_extint_t *e = (avr_extint_t *)io;
            set_writer(e->eint[0].vector.raised.reg, flags_write, NULL);
        }
    }
    for (int i = 0; i < timer_count; i++) set_up_timer(timers[i]); /* after the ports they end in */
    if (strcmp(avr->mmcu, "atmega2560") == 0) add_pin_change_groups();
    if (strcmp(avr->mmcu, "atmega32u4") == 0) set_up_counter4();
    set_up_bus();
    for (int i = 0; i < avr->interrupts.vector_count; i++) {
        avr_int_vector_t *v = avr->interrupts.vector[i];
        avr_irq_register_notify(v->irq + AVR_INT_IRQ_RUNNING, running, v);
    }
}

static int fail(const char *text) {
    fprintf(out, "error %s\n", text);
    fflush(out);
    return 1;
}

int main(int argc, char **argv) {
    out = fdopen(dup(1), "w");
    if (!out || dup2(2, 1) < 0) return 2;
    if (argc != 6) return fail("usage: harness ELF MCU HERTZ SUPPLY_MV AREF_MV");
    avr_global_logger_set(library_says);
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(argv[1], &firmware) != 0 || !firmware.flashsize) return fail("the program cannot be read");
    avr = avr_make_mcu_by_name(argv[2]);
    if (!avr) return fail("the simulator does not know this chip");
    avr_init(avr);
    if (firmware.flashbase + firmware.flashsize > avr->flashend + 1) return fail("the program does not fit the chip");
    firmware.frequency = strtoul(argv[3], NULL, 10);
    supply_mv = strtoul(argv[4], NULL, 10);
    aref_mv = strtoul(argv[5], NULL, 10);
    if (!firmware.frequency || !supply_mv || !aref_mv) return fail("clock, supply and reference must be above zero");
    avr_load_firmware(avr, &firmware);
    avr->sleep = no_sleep; /* the library would wait in real time */
    set_up();
    after_reset();

    char *line = NULL;
    size_t room = 0;
    say("done %" PRIu64, avr->cycle);
    fflush(out);
    while (getline(&line, &room, stdin) > 0) {
        const char *wrong = command(line);
        if (wrong) say("error %s", wrong);
        else say("done %" PRIu64, avr->cycle);
        fflush(out);
    }
    return 0;
}
