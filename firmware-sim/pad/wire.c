/* wire: see include/bellrope/wire.h for the format. Freestanding C99: no library calls, no static state. */
#include "bellrope/wire.h"

#include "flash.h"

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

/* ---- messages: what lies where in the payload and in the struct, for packing and unpacking alike ---- */

enum { TICK = 6, SERIAL = WIRE_SERIAL_MAX }; /* bytes of a field that are not 1, 2 or 4 say what it is */

struct field {
    uint8_t offset; /* in struct wire_message */
    uint8_t bytes;  /* on the wire */
};

#define FIELD(name, bytes)                                                                                   \
    {                                                                                                        \
        offsetof(struct wire_message, u.name), bytes                                                         \
    }

static const FLASH struct field hello[] = {
    FIELD(hello.version, 1), FIELD(hello.flags, 1),   FIELD(hello.release, 2),    FIELD(hello.boot, 4),
    FIELD(hello.tick_hz, 4), FIELD(hello.rows, 1),    FIELD(hello.cols, 1),       FIELD(hello.keys, 1),
    FIELD(hello.room, 1),    FIELD(hello.waiting, 1), FIELD(hello.serial, SERIAL)};
static const FLASH struct field press[] = {
    FIELD(press.boot, 4),      FIELD(press.seq, 4),      FIELD(press.tick_us, TICK),
    FIELD(press.before_us, 2), FIELD(press.after_us, 2), FIELD(press.key, 1),
    FIELD(press.gesture, 1),   FIELD(press.of_seq, 4),   FIELD(press.offer, 1)};
static const FLASH struct field pong[] = {
    FIELD(pong.id, 2),      FIELD(pong.boot, 4),  FIELD(pong.rx_tick_us, TICK), FIELD(pong.tx_tick_us, TICK),
    FIELD(pong.waiting, 1), FIELD(pong.faults, 1)};
static const FLASH struct field fault[] = {FIELD(fault.code, 1),       FIELD(fault.key, 1),
                                           FIELD(fault.active, 1),     FIELD(fault.boot, 4),
                                           FIELD(fault.tick_us, TICK), FIELD(fault.count, 4)};
static const FLASH struct field flashed[] = {FIELD(flashed.id, 2), FIELD(flashed.boot, 4),
                                             FIELD(flashed.tick_us, TICK), FIELD(flashed.within_us, 2)};
static const FLASH struct field ask_hello[] = {FIELD(ask_hello.version, 1)};
static const FLASH struct field ping[] = {FIELD(ping.id, 2)};
static const FLASH struct field kept[] = {FIELD(kept.boot, 4), FIELD(kept.seq, 4), FIELD(kept.result, 1)};
static const FLASH struct field lamp[] = {FIELD(lamp.cue, 1), FIELD(lamp.time_ms, 2)};
static const FLASH struct field serial_set[] = {FIELD(serial_set.serial, SERIAL)};
static const FLASH struct field flash[] = {FIELD(flash.id, 2), FIELD(flash.time_ms, 2)};
static const FLASH struct field settings[] = {FIELD(settings.lockout_ms, 2), FIELD(settings.hold_ms, 2),
                                              FIELD(settings.chord_ms, 2), FIELD(settings.kept_ms, 2),
                                              FIELD(settings.sound, 1)};

struct shape {
    uint8_t type;
    uint8_t fields;
    const FLASH struct field *field;
};

#define SHAPE(type, name)                                                                                    \
    {                                                                                                        \
        type, sizeof(name) / sizeof(name)[0], name                                                           \
    }

static const FLASH struct shape shapes[] = {
    SHAPE(WIRE_HELLO, hello),
    SHAPE(WIRE_PRESS, press),
    SHAPE(WIRE_PONG, pong),
    SHAPE(WIRE_FAULT, fault),
    SHAPE(WIRE_FLASHED, flashed),
    SHAPE(WIRE_ASK_HELLO, ask_hello),
    SHAPE(WIRE_PING, ping),
    SHAPE(WIRE_KEPT, kept),
    SHAPE(WIRE_LAMP, lamp),
    SHAPE(WIRE_FLASH, flash),
    SHAPE(WIRE_SERIAL_SET, serial_set),
    SHAPE(WIRE_SETTINGS, settings),
};

static const FLASH struct shape *shape_of(uint8_t type)
{
    for (unsigned i = 0; i < sizeof shapes / sizeof shapes[0]; i++) {
        if (shapes[i].type == type) {
            return &shapes[i];
        }
    }
    return 0;
}

static uint8_t payload_bytes(const FLASH struct shape *shape)
{
    uint8_t bytes = 0;
    for (uint8_t i = 0; i < shape->fields; i++) {
        bytes = (uint8_t)(bytes + shape->field[i].bytes);
    }
    return bytes;
}

static bool serial_char(char c)
{
    return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || c == '-' || c == '_';
}

/* Fixed width on the wire, padded with zeros, so that a frame's length depends on its type alone. */
static int put_serial(uint8_t *out, const char *serial)
{
    unsigned i = 0;
    for (; i < WIRE_SERIAL_MAX && serial[i] != '\0'; i++) {
        if (!serial_char(serial[i])) {
            return WIRE_ERR_VALUE;
        }
        out[i] = (uint8_t)serial[i];
    }
    for (; i < WIRE_SERIAL_MAX; i++) {
        out[i] = 0;
    }
    return 0;
}

static int get_serial(const uint8_t *in, char *serial)
{
    bool ended = false;
    for (unsigned i = 0; i < WIRE_SERIAL_MAX; i++) {
        char c = (char)in[i];
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

void wire_put(uint8_t *out, uint32_t value, uint8_t bytes)
{
    for (uint8_t i = 0; i < bytes; i++) {
        out[i] = (uint8_t)value;
        value >>= 8;
    }
}

uint32_t wire_get(const uint8_t *in, uint8_t bytes)
{
    uint32_t value = 0;
    for (uint8_t i = bytes; i > 0; i--) {
        value = value << 8 | in[i - 1];
    }
    return value;
}

static int put_field(uint8_t *out, const void *at, uint8_t bytes)
{
    switch (bytes) {
    case 1:
        *out = *(const uint8_t *)at;
        return 0;
    case 2:
        wire_put(out, *(const uint16_t *)at, 2);
        return 0;
    case 4:
        wire_put(out, *(const uint32_t *)at, 4);
        return 0;
    case TICK:
        wire_put(out, (uint32_t) * (const uint64_t *)at, 4);
        wire_put(out + 4, (uint32_t)(*(const uint64_t *)at >> 32), 2);
        return 0;
    default:
        return put_serial(out, at);
    }
}

static int get_field(const uint8_t *in, void *at, uint8_t bytes)
{
    switch (bytes) {
    case 1:
        *(uint8_t *)at = *in;
        return 0;
    case 2:
        *(uint16_t *)at = (uint16_t)wire_get(in, 2);
        return 0;
    case 4:
        *(uint32_t *)at = wire_get(in, 4);
        return 0;
    case TICK:
        *(uint64_t *)at = (uint64_t)wire_get(in + 4, 2) << 32 | wire_get(in, 4);
        return 0;
    default:
        return get_serial(in, at);
    }
}

int wire_pack(const struct wire_message *message, uint8_t *body, size_t cap)
{
    const FLASH struct shape *shape = shape_of(message->type);
    uint8_t length = 1;

    if (shape == 0) {
        return WIRE_ERR_TYPE;
    }
    if (cap < (size_t)payload_bytes(shape) + 1) {
        return WIRE_ERR_LENGTH;
    }
    body[0] = message->type;
    for (uint8_t i = 0; i < shape->fields; i++) {
        uint8_t bytes = shape->field[i].bytes;
        int failed = put_field(body + length, (const char *)message + shape->field[i].offset, bytes);
        if (failed != 0) {
            return failed;
        }
        length = (uint8_t)(length + bytes);
    }
    return length;
}

int wire_unpack(const uint8_t *body, size_t n, struct wire_message *message)
{
    if (n == 0) {
        return WIRE_ERR_LENGTH;
    }
    const FLASH struct shape *shape = shape_of(body[0]);
    if (shape == 0) {
        return WIRE_ERR_TYPE;
    }
    if (n < (size_t)payload_bytes(shape) + 1) {
        return WIRE_ERR_LENGTH;
    }
    message->type = *body++;
    for (uint8_t i = 0; i < shape->fields; i++) {
        uint8_t bytes = shape->field[i].bytes;
        int failed = get_field(body, (char *)message + shape->field[i].offset, bytes);
        if (failed != 0) {
            return failed;
        }
        body += bytes;
    }
    return 0;
}

/* ---- frames ---- */

size_t wire_frame_bytes(uint8_t type)
{
    const FLASH struct shape *shape = shape_of(type);
    /* Bodies are shorter than 254 bytes, so stuffing always costs exactly one byte. */
    return shape == 0 ? 0 : (size_t)payload_bytes(shape) + 1 + 2 + 1 + 2;
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
    if (d->length < WIRE_RECEIVE_MAX) {
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
    uint16_t crc = (uint16_t)(d->body[n] | (uint16_t)d->body[n + 1] << 8);
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
