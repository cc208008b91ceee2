/* wire: see include/bellrope/wire.h for the format. Freestanding C99: no library calls, no static state. */
#include "bellrope/wire.h"

/* ---- checksum and byte stuffing ---- */

uint16_t wire_crc(uint16_t crc, const uint8_t *bytes, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        /* The shift form of polynomial 1021: eight steps at once without a table, which a small part would
         * keep in RAM. */
        uint8_t x = (uint8_t)((crc >> 8) ^ bytes[i]);
        x = (uint8_t)(x ^ (x >> 4));
        crc = (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5) ^
                         x);
    }
    return crc;
}

int wire_cobs_encode(const uint8_t *in, size_t n, uint8_t *out, size_t cap)
{
    size_t code_at = 0;
    size_t length = 1;
    uint8_t code = 1;

    if (cap < n + n / 254 + 1) {
        return WIRE_ERR_LENGTH;
    }
    for (size_t i = 0; i < n; i++) {
        if (in[i] != 0) {
            out[length++] = in[i];
            code++;
        }
        /* A full block ends without a zero; at the very end of the data no empty block follows it. */
        if (in[i] == 0 || (code == 0xFF && i + 1 < n)) {
            out[code_at] = code;
            code_at = length++;
            code = 1;
        }
    }
    out[code_at] = code;
    return (int)length;
}

int wire_cobs_decode(const uint8_t *in, size_t n, uint8_t *out, size_t cap)
{
    size_t length = 0;
    size_t i = 0;

    while (i < n) {
        size_t code = in[i++];
        if (code == 0 || code - 1 > n - i) {
            return WIRE_ERR_COBS;
        }
        for (size_t k = 1; k < code; k++, i++) {
            if (in[i] == 0) {
                return WIRE_ERR_COBS;
            }
            if (length == cap) {
                return WIRE_ERR_LENGTH;
            }
            out[length++] = in[i];
        }
        /* A block stands for a zero after it, unless it was a full one or the last. */
        if (code != 0xFF && i < n) {
            if (length == cap) {
                return WIRE_ERR_LENGTH;
            }
            out[length++] = 0;
        }
    }
    return (int)length;
}

/* ---- fields: a cursor that writes and reads little-endian integers ---- */

struct writer {
    uint8_t *at;
};

struct reader {
    const uint8_t *at;
};

static void put(struct writer *w, uint32_t value, uint8_t bytes)
{
    while (bytes-- > 0) {
        *w->at++ = (uint8_t)value;
        value >>= 8;
    }
}

static uint32_t get(struct reader *r, uint8_t bytes)
{
    uint32_t value = 0;
    for (uint8_t i = 0; i < bytes; i++) {
        value |= (uint32_t)*r->at++ << (8 * i);
    }
    return value;
}

static void put_tick(struct writer *w, uint64_t tick_us)
{
    put(w, (uint32_t)tick_us, 4);
    put(w, (uint32_t)(tick_us >> 32), 2);
}

static uint64_t get_tick(struct reader *r)
{
    uint64_t low = get(r, 4);
    return low | (uint64_t)get(r, 2) << 32;
}

static bool serial_char(char c)
{
    return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || c == '-' || c == '_';
}

/* Fixed width on the wire, padded with zeros, so that a frame's length depends on its type alone. */
static int put_serial(struct writer *w, const char *serial)
{
    unsigned i = 0;
    for (; i < WIRE_SERIAL_MAX && serial[i] != '\0'; i++) {
        if (!serial_char(serial[i])) {
            return WIRE_ERR_VALUE;
        }
        put(w, (uint8_t)serial[i], 1);
    }
    for (; i < WIRE_SERIAL_MAX; i++) {
        put(w, 0, 1);
    }
    return 0;
}

static int get_serial(struct reader *r, char serial[WIRE_SERIAL_MAX + 1])
{
    bool ended = false;
    for (unsigned i = 0; i < WIRE_SERIAL_MAX; i++) {
        char c = (char)get(r, 1);
        if (c == '\0') {
            ended = true;
        } else if (ended || !serial_char(c)) {
            return WIRE_ERR_VALUE;
        }
        serial[i] = c;
    }
    serial[WIRE_SERIAL_MAX] = '\0';
    return 0;
}

/* ---- messages ---- */

/* Bytes of payload as version 1 writes them; 0 for a type not known. */
static uint8_t payload_bytes(uint8_t type)
{
    switch (type) {
    case WIRE_HELLO:
        return 32;
    case WIRE_PRESS:
        return 25;
    case WIRE_PONG:
        return 20;
    case WIRE_FAULT:
        return 17;
    case WIRE_FLASHED:
        return 14;
    case WIRE_ASK_HELLO:
        return 1;
    case WIRE_PING:
        return 2;
    case WIRE_KEPT:
        return 9;
    case WIRE_LAMP:
        return 3;
    case WIRE_SERIAL_SET:
        return WIRE_SERIAL_MAX;
    case WIRE_FLASH:
        return 4;
    case WIRE_SETTINGS:
        return 9;
    default:
        return 0;
    }
}

static int pack_hello(struct writer *w, const struct wire_hello *m)
{
    put(w, m->version, 1);
    put(w, m->flags, 1);
    put(w, m->release, 2);
    put(w, m->boot, 4);
    put(w, m->tick_hz, 4);
    put(w, m->rows, 1);
    put(w, m->cols, 1);
    put(w, m->keys, 1);
    put(w, m->room, 1);
    put(w, m->waiting, 1);
    return put_serial(w, m->serial);
}

static int unpack_hello(struct reader *r, struct wire_hello *m)
{
    m->version = (uint8_t)get(r, 1);
    m->flags = (uint8_t)get(r, 1);
    m->release = (uint16_t)get(r, 2);
    m->boot = get(r, 4);
    m->tick_hz = get(r, 4);
    m->rows = (uint8_t)get(r, 1);
    m->cols = (uint8_t)get(r, 1);
    m->keys = (uint8_t)get(r, 1);
    m->room = (uint8_t)get(r, 1);
    m->waiting = (uint8_t)get(r, 1);
    return get_serial(r, m->serial);
}

static void pack_press(struct writer *w, const struct wire_press *m)
{
    put(w, m->boot, 4);
    put(w, m->seq, 4);
    put_tick(w, m->tick_us);
    put(w, m->before_us, 2);
    put(w, m->after_us, 2);
    put(w, m->key, 1);
    put(w, m->gesture, 1);
    put(w, m->of_seq, 4);
    put(w, m->offer, 1);
}

static void unpack_press(struct reader *r, struct wire_press *m)
{
    m->boot = get(r, 4);
    m->seq = get(r, 4);
    m->tick_us = get_tick(r);
    m->before_us = (uint16_t)get(r, 2);
    m->after_us = (uint16_t)get(r, 2);
    m->key = (uint8_t)get(r, 1);
    m->gesture = (uint8_t)get(r, 1);
    m->of_seq = get(r, 4);
    m->offer = (uint8_t)get(r, 1);
}

static void pack_pong(struct writer *w, const struct wire_pong *m)
{
    put(w, m->id, 2);
    put(w, m->boot, 4);
    put_tick(w, m->rx_tick_us);
    put_tick(w, m->tx_tick_us);
    put(w, m->waiting, 1);
    put(w, m->faults, 1);
}

static void unpack_pong(struct reader *r, struct wire_pong *m)
{
    m->id = (uint16_t)get(r, 2);
    m->boot = get(r, 4);
    m->rx_tick_us = get_tick(r);
    m->tx_tick_us = get_tick(r);
    m->waiting = (uint8_t)get(r, 1);
    m->faults = (uint8_t)get(r, 1);
}

static void pack_fault(struct writer *w, const struct wire_fault *m)
{
    put(w, m->code, 1);
    put(w, m->key, 1);
    put(w, m->active, 1);
    put(w, m->boot, 4);
    put_tick(w, m->tick_us);
    put(w, m->count, 4);
}

static void unpack_fault(struct reader *r, struct wire_fault *m)
{
    m->code = (uint8_t)get(r, 1);
    m->key = (uint8_t)get(r, 1);
    m->active = (uint8_t)get(r, 1);
    m->boot = get(r, 4);
    m->tick_us = get_tick(r);
    m->count = get(r, 4);
}

static void pack_settings(struct writer *w, const struct wire_settings *m)
{
    put(w, m->lockout_ms, 2);
    put(w, m->hold_ms, 2);
    put(w, m->chord_ms, 2);
    put(w, m->kept_ms, 2);
    put(w, m->sound, 1);
}

static void unpack_settings(struct reader *r, struct wire_settings *m)
{
    m->lockout_ms = (uint16_t)get(r, 2);
    m->hold_ms = (uint16_t)get(r, 2);
    m->chord_ms = (uint16_t)get(r, 2);
    m->kept_ms = (uint16_t)get(r, 2);
    m->sound = (uint8_t)get(r, 1);
}

int wire_pack(const struct wire_message *message, uint8_t *body, size_t cap)
{
    uint8_t payload = payload_bytes(message->type);
    struct writer w = {body};
    int failed = 0;

    if (payload == 0) {
        return WIRE_ERR_TYPE;
    }
    if (cap < (size_t)payload + 1) {
        return WIRE_ERR_LENGTH;
    }
    put(&w, message->type, 1);
    switch (message->type) {
    case WIRE_HELLO:
        failed = pack_hello(&w, &message->u.hello);
        break;
    case WIRE_PRESS:
        pack_press(&w, &message->u.press);
        break;
    case WIRE_PONG:
        pack_pong(&w, &message->u.pong);
        break;
    case WIRE_FAULT:
        pack_fault(&w, &message->u.fault);
        break;
    case WIRE_FLASHED:
        put(&w, message->u.flashed.id, 2);
        put(&w, message->u.flashed.boot, 4);
        put_tick(&w, message->u.flashed.tick_us);
        put(&w, message->u.flashed.within_us, 2);
        break;
    case WIRE_ASK_HELLO:
        put(&w, message->u.ask_hello.version, 1);
        break;
    case WIRE_PING:
        put(&w, message->u.ping.id, 2);
        break;
    case WIRE_KEPT:
        put(&w, message->u.kept.boot, 4);
        put(&w, message->u.kept.seq, 4);
        put(&w, message->u.kept.result, 1);
        break;
    case WIRE_LAMP:
        put(&w, message->u.lamp.cue, 1);
        put(&w, message->u.lamp.time_ms, 2);
        break;
    case WIRE_SERIAL_SET:
        failed = put_serial(&w, message->u.serial_set.serial);
        break;
    case WIRE_FLASH:
        put(&w, message->u.flash.id, 2);
        put(&w, message->u.flash.time_ms, 2);
        break;
    default:
        pack_settings(&w, &message->u.settings);
        break;
    }
    return failed != 0 ? failed : payload + 1;
}

int wire_unpack(const uint8_t *body, size_t n, struct wire_message *message)
{
    struct reader r = {body};
    uint8_t payload = n > 0 ? payload_bytes(body[0]) : 0;

    if (payload == 0) {
        return n > 0 ? WIRE_ERR_TYPE : WIRE_ERR_LENGTH;
    }
    if (n < (size_t)payload + 1) {
        return WIRE_ERR_LENGTH;
    }
    message->type = (uint8_t)get(&r, 1);
    switch (message->type) {
    case WIRE_HELLO:
        return unpack_hello(&r, &message->u.hello);
    case WIRE_PRESS:
        unpack_press(&r, &message->u.press);
        return 0;
    case WIRE_PONG:
        unpack_pong(&r, &message->u.pong);
        return 0;
    case WIRE_FAULT:
        unpack_fault(&r, &message->u.fault);
        return 0;
    case WIRE_FLASHED:
        message->u.flashed.id = (uint16_t)get(&r, 2);
        message->u.flashed.boot = get(&r, 4);
        message->u.flashed.tick_us = get_tick(&r);
        message->u.flashed.within_us = (uint16_t)get(&r, 2);
        return 0;
    case WIRE_ASK_HELLO:
        message->u.ask_hello.version = (uint8_t)get(&r, 1);
        return 0;
    case WIRE_PING:
        message->u.ping.id = (uint16_t)get(&r, 2);
        return 0;
    case WIRE_KEPT:
        message->u.kept.boot = get(&r, 4);
        message->u.kept.seq = get(&r, 4);
        message->u.kept.result = (uint8_t)get(&r, 1);
        return 0;
    case WIRE_LAMP:
        message->u.lamp.cue = (uint8_t)get(&r, 1);
        message->u.lamp.time_ms = (uint16_t)get(&r, 2);
        return 0;
    case WIRE_SERIAL_SET:
        return get_serial(&r, message->u.serial_set.serial);
    case WIRE_FLASH:
        message->u.flash.id = (uint16_t)get(&r, 2);
        message->u.flash.time_ms = (uint16_t)get(&r, 2);
        return 0;
    default:
        unpack_settings(&r, &message->u.settings);
        return 0;
    }
}

/* ---- frames ---- */

size_t wire_frame_bytes(uint8_t type)
{
    uint8_t payload = payload_bytes(type);
    /* Bodies are shorter than 254 bytes, so stuffing always costs exactly one byte. */
    return payload == 0 ? 0 : (size_t)payload + 1 + 2 + 1 + 2;
}

int wire_encode(const struct wire_message *message, uint8_t *frame, size_t cap)
{
    uint8_t body[WIRE_BODY_MAX];
    int n = wire_pack(message, body, sizeof body - 2);

    if (n < 0) {
        return n;
    }
    uint16_t crc = wire_crc(WIRE_CRC_INIT, body, (size_t)n);
    body[n] = (uint8_t)crc;
    body[n + 1] = (uint8_t)(crc >> 8);
    if (cap < (size_t)n + 5) {
        return WIRE_ERR_LENGTH;
    }
    int stuffed = wire_cobs_encode(body, (size_t)n + 2, frame + 1, cap - 2);
    if (stuffed < 0) {
        return stuffed;
    }
    frame[0] = 0;
    frame[stuffed + 1] = 0;
    return stuffed + 2;
}

void wire_decoder_init(struct wire_decoder *decoder)
{
    *decoder = (struct wire_decoder){.length = 0};
}

static void begin_frame(struct wire_decoder *d)
{
    d->length = 0;
    d->block = 0;
    d->zero_due = false;
    d->begun = false;
    d->overlong = false;
}

static void append(struct wire_decoder *d, uint8_t byte)
{
    if (d->length < WIRE_BODY_MAX) {
        d->body[d->length++] = byte;
    } else {
        d->overlong = true;
    }
}

/* COBS is undone as bytes come: only the body is held, never the stuffed text. */
static void unstuff(struct wire_decoder *d, uint8_t byte)
{
    d->begun = true;
    if (d->block > 0) {
        append(d, byte);
        d->block--;
        return;
    }
    if (d->zero_due) {
        append(d, 0);
    }
    d->block = (uint8_t)(byte - 1);
    d->zero_due = byte != 0xFF;
}

static void end_frame(struct wire_decoder *d, wire_sink *sink, void *ctx)
{
    struct wire_message message;
    struct wire_counters *count = &d->counters;

    if (d->overlong) {
        count->length++;
        return;
    }
    if (d->block > 0) {
        count->cobs++;
        return;
    }
    if (d->length < 3) {
        count->crc++;
        return;
    }
    size_t n = (size_t)d->length - 2;
    uint16_t crc = (uint16_t)(d->body[n] | d->body[n + 1] << 8);
    if (wire_crc(WIRE_CRC_INIT, d->body, n) != crc) {
        count->crc++;
        return;
    }
    switch (wire_unpack(d->body, n, &message)) {
    case 0:
        count->good++;
        sink(ctx, &message);
        break;
    case WIRE_ERR_TYPE:
        count->unknown++;
        break;
    case WIRE_ERR_VALUE:
        count->value++;
        break;
    default:
        count->length++;
        break;
    }
}

void wire_decoder_feed(struct wire_decoder *decoder, const uint8_t *bytes, size_t n, wire_sink *sink,
                       void *ctx)
{
    for (size_t i = 0; i < n; i++) {
        if (bytes[i] != 0) {
            unstuff(decoder, bytes[i]);
            continue;
        }
        if (decoder->begun) {
            end_frame(decoder, sink, ctx);
        }
        begin_frame(decoder);
    }
}

/* ---- names ---- */

const char *wire_type_name(uint8_t type)
{
    switch (type) {
    case WIRE_HELLO:
        return "hello";
    case WIRE_PRESS:
        return "press";
    case WIRE_PONG:
        return "pong";
    case WIRE_FAULT:
        return "fault";
    case WIRE_FLASHED:
        return "flashed";
    case WIRE_ASK_HELLO:
        return "ask-hello";
    case WIRE_PING:
        return "ping";
    case WIRE_KEPT:
        return "kept";
    case WIRE_LAMP:
        return "lamp";
    case WIRE_SERIAL_SET:
        return "serial-set";
    case WIRE_FLASH:
        return "flash";
    case WIRE_SETTINGS:
        return "settings";
    default:
        return "unknown";
    }
}

const char *wire_gesture_name(uint8_t gesture)
{
    switch (gesture) {
    case WIRE_DOWN:
        return "down";
    case WIRE_HOLD:
        return "hold";
    case WIRE_CHORD:
        return "chord";
    default:
        return "unknown";
    }
}

const char *wire_result_name(uint8_t result)
{
    switch (result) {
    case WIRE_RESULT_KEPT:
        return "kept";
    case WIRE_RESULT_REFUSED:
        return "refused";
    case WIRE_RESULT_STRUCK:
        return "struck";
    default:
        return "unknown";
    }
}

const char *wire_fault_name(uint8_t code)
{
    switch (code) {
    case WIRE_FAULT_STUCK:
        return "stuck-key";
    case WIRE_FAULT_GHOST:
        return "ghost";
    case WIRE_FAULT_QUEUE_FULL:
        return "queue-full";
    case WIRE_FAULT_EEPROM:
        return "eeprom";
    default:
        return "unknown";
    }
}

bool wire_key_name(uint8_t index, uint8_t cols, char out[4])
{
    if (cols == 0 || cols > 99 || index / cols >= 26) {
        return false;
    }
    uint8_t number = (uint8_t)(index % cols + 1);
    uint8_t at = 0;
    out[at++] = (char)('A' + index / cols);
    if (number >= 10) {
        out[at++] = (char)('0' + number / 10);
    }
    out[at++] = (char)('0' + number % 10);
    out[at] = '\0';
    return true;
}

uint8_t wire_key_index(const char *name, uint8_t rows, uint8_t cols)
{
    unsigned number = 0;
    if (name[0] < 'A' || name[0] > 'Z' || name[1] < '1' || name[1] > '9') {
        return WIRE_NO_KEY;
    }
    unsigned row = (unsigned)(name[0] - 'A');
    for (const char *p = name + 1; *p != '\0'; p++) {
        if (*p < '0' || *p > '9' || number > 99) {
            return WIRE_NO_KEY;
        }
        number = number * 10 + (unsigned)(*p - '0');
    }
    if (row >= rows || number > cols) {
        return WIRE_NO_KEY;
    }
    unsigned index = row * cols + number - 1;
    return index < WIRE_NO_KEY ? (uint8_t)index : WIRE_NO_KEY;
}

bool wire_serial_valid(const char *serial)
{
    uint8_t n = 0;
    for (; serial[n] != '\0'; n++) {
        if (n >= WIRE_SERIAL_MAX || !serial_char(serial[n])) {
            return false;
        }
    }
    return n > 0;
}
