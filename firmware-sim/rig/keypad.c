#include "keypad.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum {
    EDGES_MAX = 2048,
    LINE_MAX_BYTES = 4096, /* on their way in one direction */
    BRIDGE_FULL = 62,
    EEPROM_BYTE_NS = 3400000,
    SCAN_US = 100,
    TOUCH_US = 12,
    LAMP_US = 20,
    USB_FRAME_NS = 1000000
};

struct edge {
    int64_t at_ns;
    uint8_t key;
    bool closed;
    int press; /* of the first edge of a press; else KEYPAD_NO_PRESS */
};

/* Bytes with the instant at which each has arrived at the other end, in order. */
struct line {
    int64_t due_ns[LINE_MAX_BYTES];
    uint8_t byte[LINE_MAX_BYTES];
    size_t head, count;
};

struct keypad {
    const struct script_pad *plan;
    const struct keypad_sink *sink;
    int index;
    struct chance chance;
    int64_t now_ns; /* of the turn in hand */

    struct edge edge[EDGES_MAX];
    size_t edges;
    bool closed[KEYS_MAX];
    bool latched;
    int64_t latch_ns;

    struct pad_board board;
    struct pad_state firmware;
    bool powered, plugged;
    int64_t boot_ns;
    int64_t next_turn_ns;

    int64_t byte_ns;
    int64_t sent_ns; /* the line towards the host is busy until then */
    struct line out; /* pad to bridge */
    struct line in;  /* host to pad */
    uint8_t held[BRIDGE_FULL];
    size_t held_count;
    int64_t batch_at_ns; /* the bridge's timer fires next */
    struct wire_decoder said, heard;

    uint8_t eeprom[KEYPAD_EEPROM_BYTES];
    int eeprom_file; /* -1: none */
    bool writing;
    uint16_t write_address;
    uint8_t write_byte;
    int64_t written_ns;
};

/* ---- the pad's clock ---- */

uint64_t keypad_tick(const struct keypad *pad, int64_t at_ns)
{
    const struct script_pad *plan = pad->plan;
    double us = (double)(at_ns - pad->boot_ns) / 1e3;
    double swing_us = 0;
    if (plan->swing_ppm > 0) {
        const double turn = 6.283185307179586;
        double period_us = plan->swing_period_s * 1e6;
        swing_us = plan->swing_ppm * 1e-6 * period_us / turn * (1 - cos(turn * us / period_us));
    }
    return plan->tick0_us + (uint64_t)(us * (1 + plan->clock_ppm * 1e-6) + swing_us);
}

/* ---- contacts ---- */

bool keypad_press(struct keypad *pad, uint8_t key, int64_t down_ns, int64_t hold_ns, int press)
{
    struct contact_press contact;
    contact_make(&contact, &pad->chance, down_ns, hold_ns, pad->plan->bounces);
    if (pad->edges + contact.count > EDGES_MAX)
        return false;
    for (size_t e = 0; e < contact.count; e++) {
        size_t i = pad->edges++;
        for (; i > 0 && pad->edge[i - 1].at_ns > contact.edge[e].at_ns; i--)
            pad->edge[i] = pad->edge[i - 1];
        pad->edge[i] = (struct edge){contact.edge[e].at_ns, key, contact.edge[e].closed,
                                     e == 0 ? press : KEYPAD_NO_PRESS};
    }
    return true;
}

int64_t keypad_next_edge_ns(const struct keypad *pad)
{
    return pad->edges ? pad->edge[0].at_ns : INT64_MAX;
}

static void apply_edges(struct keypad *pad, int64_t until_ns)
{
    size_t done = 0;
    for (; done < pad->edges && pad->edge[done].at_ns <= until_ns; done++) {
        const struct edge *edge = &pad->edge[done];
        if (edge->closed && !pad->closed[edge->key] && !pad->latched) {
            pad->latched = true;
            pad->latch_ns = edge->at_ns;
        }
        pad->closed[edge->key] = edge->closed;
        if (edge->press != KEYPAD_NO_PRESS)
            pad->sink->touched(pad->sink->ctx, pad->index, edge->at_ns, edge->press);
    }
    pad->edges -= done;
    memmove(pad->edge, pad->edge + done, pad->edges * sizeof pad->edge[0]);
}

/* Which rows are joined to this column. Without diodes current also finds its way through other closed keys. */
static uint8_t read_column(void *ctx, uint8_t column)
{
    const struct keypad *pad = ctx;
    uint8_t rows = 0;
    uint8_t columns = (uint8_t)(1u << column);
    for (int round = 0; round < 16; round++) {
        for (uint8_t key = 0; key < pad->plan->rows * pad->plan->cols; key++) {
            uint8_t row_bit = (uint8_t)(1u << key / pad->plan->cols);
            uint8_t column_bit = (uint8_t)(1u << key % pad->plan->cols);
            if (!pad->closed[key])
                continue;
            if (columns & column_bit)
                rows |= row_bit;
            if (!pad->plan->diodes && (rows & row_bit))
                columns |= column_bit;
        }
        if (pad->plan->diodes)
            break;
    }
    return rows;
}

static bool touched(void *ctx, uint64_t *tick_us)
{
    struct keypad *pad = ctx;
    if (pad->latched) {
        uint64_t now_us = keypad_tick(pad, pad->now_ns);
        *tick_us =
            keypad_tick(pad, pad->latch_ns) + 1 + (uint64_t)chance_range(&pad->chance, 0, TOUCH_US - 2);
        if (*tick_us > now_us)
            *tick_us = now_us;
        pad->latched = false;
        return true;
    }
    for (uint8_t key = 0; key < pad->plan->rows * pad->plan->cols; key++)
        if (pad->closed[key]) {
            *tick_us = keypad_tick(pad, pad->now_ns);
            return true;
        }
    return false;
}

/* ---- the line and the bridge ---- */

static void line_put(struct line *line, int64_t due_ns, uint8_t byte)
{
    if (line->count == LINE_MAX_BYTES) /* a host that floods the pad: the oldest byte is overrun */
        line->head = (line->head + 1) % LINE_MAX_BYTES, line->count--;
    size_t at = (line->head + line->count++) % LINE_MAX_BYTES;
    line->due_ns[at] = due_ns;
    line->byte[at] = byte;
}

static bool line_take(struct line *line, int64_t now_ns, int64_t *due_ns, uint8_t *byte)
{
    if (line->count == 0 || line->due_ns[line->head] > now_ns)
        return false;
    *due_ns = line->due_ns[line->head];
    *byte = line->byte[line->head];
    line->head = (line->head + 1) % LINE_MAX_BYTES;
    line->count--;
    return true;
}

struct told {
    struct keypad *pad;
    int64_t at_ns;
};

static void tell_said(void *ctx, const struct wire_message *message)
{
    const struct told *told = ctx;
    told->pad->sink->said(told->pad->sink->ctx, told->pad->index, told->at_ns, message);
}

static void tell_heard(void *ctx, const struct wire_message *message)
{
    const struct told *told = ctx;
    told->pad->sink->heard(told->pad->sink->ctx, told->pad->index, told->at_ns, message);
}

static void uart_send(void *ctx, const uint8_t *bytes, uint8_t n)
{
    struct keypad *pad = ctx;
    struct told told = {pad, pad->now_ns};
    for (uint8_t i = 0; i < n; i++)
        line_put(&pad->out, pad->now_ns + (i + 1) * pad->byte_ns, bytes[i]);
    pad->sent_ns = pad->now_ns + n * pad->byte_ns;
    wire_decoder_feed(&pad->said, bytes, n, tell_said, &told);
}

static bool uart_idle(void *ctx)
{
    const struct keypad *pad = ctx;
    return pad->now_ns >= pad->sent_ns;
}

static void bridge_flush(struct keypad *pad, int64_t now_ns)
{
    if (pad->held_count > 0 && pad->plugged)
        pad->sink->bytes(pad->sink->ctx, pad->index, now_ns, pad->held, pad->held_count);
    pad->held_count = 0;
}

static void bridge_run(struct keypad *pad, int64_t now_ns)
{
    int64_t due_ns = 0;
    while (pad->held_count < BRIDGE_FULL &&
           line_take(&pad->out, now_ns, &due_ns, &pad->held[pad->held_count])) {
        pad->held_count++;
        if (pad->held_count == BRIDGE_FULL)
            bridge_flush(pad, now_ns);
    }
    if (pad->plan->batch_ns == 0) {
        bridge_flush(pad, now_ns);
    } else if (now_ns >= pad->batch_at_ns) {
        bridge_flush(pad, now_ns);
        pad->batch_at_ns += (1 + (now_ns - pad->batch_at_ns) / pad->plan->batch_ns) * pad->plan->batch_ns;
    }
}

void keypad_bytes(struct keypad *pad, int64_t now_ns, const uint8_t *bytes, size_t len)
{
    if (!pad->plugged || !pad->powered)
        return;
    int64_t due_ns = now_ns;
    if (pad->plan->batch_ns > 0)
        due_ns += chance_range(&pad->chance, 0, USB_FRAME_NS);
    if (pad->in.count > 0) {
        int64_t last_ns = pad->in.due_ns[(pad->in.head + pad->in.count - 1) % LINE_MAX_BYTES];
        due_ns = last_ns > due_ns ? last_ns : due_ns;
    }
    for (size_t i = 0; i < len; i++) {
        due_ns += pad->byte_ns;
        line_put(&pad->in, due_ns, bytes[i]);
    }
}

/* ---- lamp, sounder, EEPROM ---- */

static void lamp(void *ctx, enum pad_lamp colour)
{
    const struct keypad *pad = ctx;
    pad->sink->lamp(pad->sink->ctx, pad->index, pad->now_ns, colour);
}

static void sounder(void *ctx, enum pad_tone tone)
{
    (void)ctx;
    (void)tone;
}

static void eeprom_put(struct keypad *pad, uint16_t address, uint8_t byte)
{
    pad->eeprom[address] = byte;
    if (pad->eeprom_file >= 0 && pwrite(pad->eeprom_file, &byte, 1, address) != 1) {
        (void)close(pad->eeprom_file); /* the simulated part goes on in memory */
        pad->eeprom_file = -1;
    }
}

static bool eeprom_ready(void *ctx)
{
    struct keypad *pad = ctx;
    if (pad->writing && pad->now_ns >= pad->written_ns) {
        eeprom_put(pad, pad->write_address, pad->write_byte);
        pad->writing = false;
    }
    return !pad->writing;
}

static uint8_t eeprom_read(void *ctx, uint16_t address)
{
    const struct keypad *pad = ctx;
    return address < KEYPAD_EEPROM_BYTES ? pad->eeprom[address] : 0xFF;
}

static void eeprom_write(void *ctx, uint16_t address, uint8_t byte)
{
    struct keypad *pad = ctx;
    if (address >= KEYPAD_EEPROM_BYTES)
        return;
    pad->writing = true;
    pad->write_address = address;
    pad->write_byte = byte;
    pad->written_ns = pad->now_ns + EEPROM_BYTE_NS;
}

/* ---- power, plug, life ---- */

static void make_board(struct keypad *pad)
{
    pad->board = (struct pad_board){
        .ctx = pad,
        .rows = pad->plan->rows,
        .cols = pad->plan->cols,
        .diodes = pad->plan->diodes,
        .read_column = read_column,
        .scan_us = SCAN_US,
        .touched = pad->plan->latch ? touched : NULL,
        .touch_us = TOUCH_US,
        .uart_send = uart_send,
        .uart_idle = uart_idle,
        .lamp = lamp,
        .sounder = sounder,
        .lamp_us = LAMP_US,
        .eeprom_bytes = pad->plan->keeps ? KEYPAD_EEPROM_BYTES : 0,
        .eeprom_ready = eeprom_ready,
        .eeprom_read = eeprom_read,
        .eeprom_write = eeprom_write,
    };
}

static bool open_eeprom(struct keypad *pad, const char *path)
{
    memset(pad->eeprom, 0xFF, sizeof pad->eeprom);
    pad->eeprom_file = -1;
    if (!path || !pad->plan->keeps)
        return true;
    pad->eeprom_file = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0640);
    if (pad->eeprom_file < 0)
        return false;
    ssize_t n = pread(pad->eeprom_file, pad->eeprom, sizeof pad->eeprom, 0);
    if (n < 0)
        return false;
    if ((size_t)n < sizeof pad->eeprom) /* a new part: every byte erased */
        memset(pad->eeprom + n, 0xFF, sizeof pad->eeprom - (size_t)n);
    return pwrite(pad->eeprom_file, pad->eeprom, sizeof pad->eeprom, 0) == (ssize_t)sizeof pad->eeprom;
}

struct keypad *keypad_new(const struct script_pad *plan, int index, uint64_t seed, const char *eeprom_path,
                          const struct keypad_sink *sink)
{
    struct keypad *pad = calloc(1, sizeof *pad);
    if (!pad)
        return NULL;
    pad->plan = plan;
    pad->sink = sink;
    pad->index = index;
    pad->chance = chance_split(seed, 100 + (uint64_t)index);
    pad->byte_ns = plan->baud ? INT64_C(10000000000) / plan->baud : 0;
    make_board(pad);
    if (!open_eeprom(pad, eeprom_path)) {
        int error = errno;
        keypad_free(pad);
        errno = error;
        return NULL;
    }
    return pad;
}

void keypad_free(struct keypad *pad)
{
    if (!pad)
        return;
    if (pad->eeprom_file >= 0)
        (void)close(pad->eeprom_file);
    free(pad);
}

static void forget_line(struct keypad *pad)
{
    pad->out.count = pad->in.count = 0;
    pad->held_count = 0;
}

void keypad_plug(struct keypad *pad, bool plugged)
{
    if (!plugged)
        forget_line(pad);
    pad->plugged = plugged;
}

static void power_off(struct keypad *pad, int64_t now_ns)
{
    pad->now_ns = now_ns;
    if (!eeprom_ready(pad)) {
        /* Power failed within a byte: it may read as anything. */
        eeprom_put(pad, pad->write_address, (uint8_t)chance_u64(&pad->chance));
        pad->writing = false;
    }
    pad->powered = false;
    forget_line(pad);
    pad->sink->lamp(pad->sink->ctx, pad->index, now_ns, PAD_LAMP_DARK);
}

static void power_on(struct keypad *pad, int64_t now_ns)
{
    pad->powered = true;
    pad->boot_ns = now_ns;
    pad->now_ns = now_ns;
    pad->sent_ns = now_ns;
    pad->latched = false;
    pad->next_turn_ns = now_ns + chance_range(&pad->chance, 0, pad->plan->turn_ns);
    pad->batch_at_ns = now_ns + chance_range(&pad->chance, 0, pad->plan->batch_ns);
    wire_decoder_init(&pad->said);
    wire_decoder_init(&pad->heard);
    pad_init(&pad->firmware, &pad->board, pad->plan->serial, (uint32_t)chance_u64(&pad->chance),
             WIRE_HELLO_POWER_ON, keypad_tick(pad, now_ns));
}

void keypad_power(struct keypad *pad, int64_t now_ns, bool on)
{
    if (on && !pad->powered)
        power_on(pad, now_ns);
    else if (!on && pad->powered)
        power_off(pad, now_ns);
}

/* ---- running ---- */

static void turn(struct keypad *pad, int64_t at_ns)
{
    int64_t due_ns = 0;
    uint8_t byte = 0;
    apply_edges(pad, at_ns);
    while (line_take(&pad->in, at_ns, &due_ns, &byte)) {
        struct told told = {pad, due_ns};
        pad->now_ns = due_ns;
        pad_receive(&pad->firmware, byte, keypad_tick(pad, due_ns));
        wire_decoder_feed(&pad->heard, &byte, 1, tell_heard, &told);
    }
    pad->now_ns = at_ns;
    pad_run(&pad->firmware, keypad_tick(pad, at_ns));
    bridge_run(pad, at_ns);
}

void keypad_run(struct keypad *pad, int64_t now_ns)
{
    while (pad->powered && pad->next_turn_ns <= now_ns) {
        turn(pad, pad->next_turn_ns);
        /* A loop's turns are never of one length: between three quarters and five quarters of the nominal. */
        int64_t nominal_ns = pad->plan->turn_ns;
        pad->next_turn_ns += chance_range(&pad->chance, nominal_ns * 3 / 4, nominal_ns * 5 / 4);
    }
    if (pad->powered)
        bridge_run(pad, now_ns);
    else
        apply_edges(pad, now_ns);
}

bool keypad_powered(const struct keypad *pad)
{
    return pad->powered;
}

uint32_t keypad_boot(const struct keypad *pad)
{
    return pad->firmware.boot;
}

uint8_t keypad_waiting(const struct keypad *pad)
{
    return pad->powered ? pad_waiting(&pad->firmware) : 0;
}

bool keypad_holds(const struct keypad *pad, uint32_t boot, uint64_t tick_us, uint8_t key)
{
    const struct queue_state *queue = &pad->firmware.queue;
    for (uint8_t i = 0; i < queue->count; i++) {
        const struct queue_press *press = &queue->press[i];
        uint64_t tick = (uint64_t)press->tick_high << 32 | press->tick_low;
        uint64_t off_us = tick > tick_us ? tick - tick_us : tick_us - tick;
        if (press->boot == boot && press->key == key && press->gesture != WIRE_HOLD && off_us < 60000)
            return true;
    }
    return false;
}
