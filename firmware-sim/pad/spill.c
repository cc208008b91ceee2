/* spill: see spill.h for the layout and for what survives which failure. */
#include "spill.h"

enum { VERSION = 1, MARK_KEPT = 0x00, MARK_WAITING = 0xA5, SERIAL_BYTES = 18 };

static uint16_t checksum(const uint8_t *bytes, uint8_t n)
{
    uint8_t version = VERSION;
    return wire_crc(wire_crc(WIRE_CRC_INIT, &version, 1), bytes, n);
}

/* The crc over the n - 2 bytes before it, in the last two. */
static void seal(uint8_t *bytes, uint8_t n)
{
    wire_put(bytes + n - 2, checksum(bytes, (uint8_t)(n - 2)), 2);
}

static bool sealed(const uint8_t *bytes, uint8_t n)
{
    return wire_get(bytes + n - 2, 2) == checksum(bytes, (uint8_t)(n - 2));
}

static uint16_t slot_address(uint8_t slot)
{
    return (uint16_t)(SPILL_PRESS_AT + slot * SPILL_SLOT_BYTES);
}

static bool bit_get(const uint8_t *bits, uint8_t i)
{
    return (bits[i / 8] >> (i % 8) & 1) != 0;
}

static void bit_set(uint8_t *bits, uint8_t i, bool on)
{
    uint8_t mask = (uint8_t)(1u << (i % 8));
    bits[i / 8] = on ? (uint8_t)(bits[i / 8] | mask) : (uint8_t)(bits[i / 8] & ~mask);
}

/* ---- press <-> slot: mark, press, crc ---- */

static void pack(uint8_t *bytes, const struct queue_press *press)
{
    bytes[0] = MARK_KEPT;
    wire_put(bytes + 1, press->boot, 4);
    wire_put(bytes + 5, press->seq, 4);
    wire_put(bytes + 9, press->tick_low, 4);
    wire_put(bytes + 13, press->tick_high, 2);
    wire_put(bytes + 15, press->before_us, 2);
    wire_put(bytes + 17, press->after_us, 2);
    bytes[19] = press->key;
    bytes[20] = press->gesture;
    bytes[21] = press->of_delta;
    seal(bytes + 1, SPILL_SLOT_BYTES - 1);
}

static void unpack(struct queue_press *press, const uint8_t *bytes, uint8_t slot)
{
    press->boot = wire_get(bytes + 1, 4);
    press->seq = wire_get(bytes + 5, 4);
    press->tick_low = wire_get(bytes + 9, 4);
    press->tick_high = (uint16_t)wire_get(bytes + 13, 2);
    press->before_us = (uint16_t)wire_get(bytes + 15, 2);
    press->after_us = (uint16_t)wire_get(bytes + 17, 2);
    press->key = bytes[19];
    press->gesture = bytes[20];
    press->of_delta = bytes[21];
    press->offers = 0;
    press->slot = slot;
}

/* ---- power-up ---- */

static void read(const struct pad_board *board, uint16_t address, uint8_t *bytes, uint8_t n)
{
    for (uint8_t i = 0; i < n; i++) {
        bytes[i] = board->eeprom_read(board->ctx, (uint16_t)(address + i));
    }
}

static void start(struct spill_state *spill, enum spill_what what, uint16_t address, uint8_t length)
{
    spill->job = SPILL_WRITE;
    spill->what = (uint8_t)what;
    spill->address = address;
    spill->at = 0;
    spill->length = length;
}

static void read_serial(const struct pad_board *board, char serial[WIRE_SERIAL_MAX + 1])
{
    uint8_t bytes[SERIAL_BYTES];
    read(board, SPILL_SERIAL_AT, bytes, SERIAL_BYTES);
    bytes[WIRE_SERIAL_MAX] = 0;
    if (sealed(bytes, SERIAL_BYTES) && wire_serial_valid((const char *)bytes)) {
        for (unsigned i = 0; i <= WIRE_SERIAL_MAX; i++) {
            serial[i] = (char)bytes[i];
        }
    }
}

static bool count_boot(struct spill_state *spill, const struct pad_board *board, uint32_t *boot)
{
    uint8_t newest = SPILL_BOOT_SLOTS - 1;
    bool counted = false;

    for (unsigned i = 0; i < SPILL_BOOT_SLOTS; i++) {
        read(board, (uint16_t)(SPILL_BOOT_AT + i * SPILL_BOOT_BYTES), spill->bytes, SPILL_BOOT_BYTES);
        uint32_t number = wire_get(spill->bytes, 4);
        if (sealed(spill->bytes, SPILL_BOOT_BYTES) && (!counted || number >= *boot)) {
            *boot = number;
            newest = (uint8_t)i;
            counted = true;
        }
    }
    if (counted) {
        ++*boot;
    }
    wire_put(spill->bytes, *boot, 4);
    seal(spill->bytes, SPILL_BOOT_BYTES);
    newest = (uint8_t)((newest + 1) % SPILL_BOOT_SLOTS);
    start(spill, SPILL_BOOT, (uint16_t)(SPILL_BOOT_AT + newest * SPILL_BOOT_BYTES), SPILL_BOOT_BYTES);
    return counted;
}

/* Takes stock of the press slots. */
static void find_presses(struct spill_state *spill, const struct pad_board *board, struct queue_state *queue)
{
    uint8_t bytes[SPILL_SLOT_BYTES];
    uint32_t boot = 0;
    uint32_t seq = 0;

    for (uint8_t i = 0; i < spill->slots; i++) {
        read(board, slot_address(i), bytes, SPILL_SLOT_BYTES);
        if (!sealed(bytes + 1, SPILL_SLOT_BYTES - 1)) {
            continue;
        }
        uint32_t its_boot = wire_get(bytes + 1, 4);
        uint32_t its_seq = wire_get(bytes + 5, 4);
        if (its_boot > boot || (its_boot == boot && its_seq > seq)) {
            boot = its_boot;
            seq = its_seq;
            spill->next = (uint8_t)((i + 1) % spill->slots);
        }
        if (bytes[0] != MARK_KEPT) {
            bit_set(spill->used, i, true);
            bit_set(spill->away, i, true);
            queue->away++;
        }
    }
}

/* Brings the oldest press that is away back into the queue. */
static void fetch_oldest(struct spill_state *spill, const struct pad_board *board, struct queue_state *queue)
{
    uint8_t bytes[SPILL_SLOT_BYTES];
    struct queue_press press;
    uint32_t boot = 0;
    uint32_t seq = 0;
    uint8_t oldest = QUEUE_NO_SLOT;

    for (uint8_t i = 0; i < spill->slots; i++) {
        if (!bit_get(spill->away, i)) {
            continue;
        }
        read(board, (uint16_t)(slot_address(i) + 1), bytes, 8);
        uint32_t its_boot = wire_get(bytes, 4);
        uint32_t its_seq = wire_get(bytes + 4, 4);
        if (oldest == QUEUE_NO_SLOT || its_boot < boot || (its_boot == boot && its_seq < seq)) {
            boot = its_boot;
            seq = its_seq;
            oldest = i;
        }
    }
    read(board, slot_address(oldest), bytes, SPILL_SLOT_BYTES);
    unpack(&press, bytes, oldest);
    bit_set(spill->away, oldest, false);
    (void)queue_recover(queue, &press); /* there is room, or this would not have been called */
}

static bool let_go(struct spill_state *spill, struct queue_state *queue)
{
    uint8_t slot;
    if (!queue_let_go(queue, &slot)) {
        return false;
    }
    bit_set(spill->away, slot, true);
    return true;
}

/*
 * Keeps the queue from filling up with what is safe on record, and the oldest presses in it. True when it had something to do.
 *
 * One place lies between letting go and fetching, or one press would come and go for ever. When nothing here may be offered, because
 * all of it is younger than what is away, places are made for the older ones; and when there is no way to, order gives way to progress.
 */
static bool balance(struct spill_state *spill, const struct pad_board *board, struct queue_state *queue)
{
    bool blocked = queue->away > 0 && queue->front == 0;

    if (queue->count > PAD_QUEUE - QUEUE_SPARE && let_go(spill, queue)) {
        return true;
    }
    if (queue->away > 0 && queue->count < PAD_QUEUE - QUEUE_SPARE - 1) {
        fetch_oldest(spill, board, queue);
        return true;
    }
    if (blocked && let_go(spill, queue)) {
        return true;
    }
    if (blocked && queue->count < PAD_QUEUE) {
        fetch_oldest(spill, board, queue);
        return true;
    }
    if (blocked) {
        queue->front = queue->count;
    }
    return false;
}

bool spill_init(struct spill_state *spill, const struct pad_board *board, char serial[WIRE_SERIAL_MAX + 1],
                uint32_t *boot, struct queue_state *queue)
{
    *spill = (struct spill_state){.failed = false};
    if (board->eeprom_bytes < SPILL_PRESS_AT + SPILL_SLOT_BYTES) {
        return false;
    }
    uint16_t fit = (uint16_t)((board->eeprom_bytes - SPILL_PRESS_AT) / SPILL_SLOT_BYTES);
    spill->slots = fit < PAD_SLOTS ? (uint8_t)fit : (uint8_t)PAD_SLOTS;
    read_serial(board, serial);
    find_presses(spill, board, queue);
    while (balance(spill, board, queue)) {
    }
    return count_boot(spill, board, boot);
}

/* ---- writing, a byte a turn ---- */

/* A slot that failed stays in use, so that it is not tried again in this boot; the others go on. */
static void fail(struct spill_state *spill)
{
    spill->failed = true;
    spill->job = SPILL_IDLE;
}

static void begin_clear(struct spill_state *spill)
{
    for (uint8_t i = 0; i < spill->slots; i++) {
        if (spill->clear[i / 8] == 0) {
            i |= 7; /* nothing in these eight */
        } else if (bit_get(spill->clear, i)) {
            spill->job = SPILL_MARK;
            spill->what = SPILL_CLEAR;
            spill->slot = i;
            return;
        }
    }
}

static void write_next(struct spill_state *spill, const struct pad_board *board)
{
    for (; spill->at < spill->length; spill->at++) {
        uint16_t address = (uint16_t)(spill->address + spill->at);
        if (board->eeprom_read(board->ctx, address) != spill->bytes[spill->at]) {
            board->eeprom_write(board->ctx, address, spill->bytes[spill->at++]);
            return;
        }
    }
    spill->job = SPILL_VERIFY;
}

static void verify(struct spill_state *spill, const struct pad_board *board)
{
    for (uint8_t i = 0; i < spill->length; i++) {
        if (board->eeprom_read(board->ctx, (uint16_t)(spill->address + i)) != spill->bytes[i]) {
            fail(spill);
            return;
        }
    }
    spill->job = spill->what == SPILL_PRESS ? SPILL_MARK : SPILL_IDLE;
    spill->boot_written = spill->boot_written || spill->what == SPILL_BOOT;
    spill->serial_written = spill->serial_written || spill->what == SPILL_SERIAL;
}

/* The press is safe now; if it was kept while its mark was written, the mark goes again. */
static void tell_slot(struct spill_state *spill, struct queue_state *queue)
{
    uint32_t boot = wire_get(spill->bytes + 1, 4);
    uint32_t seq = wire_get(spill->bytes + 5, 4);

    spill->spilled++;
    for (uint8_t i = 0; i < queue->count; i++) {
        if (queue->press[i].boot == boot && queue->press[i].seq == seq) {
            queue->press[i].slot = spill->slot;
            return;
        }
    }
    bit_set(spill->clear, spill->slot, true);
}

static void verify_mark(struct spill_state *spill, const struct pad_board *board, struct queue_state *queue)
{
    uint8_t mark = board->eeprom_read(board->ctx, slot_address(spill->slot));

    spill->job = SPILL_IDLE;
    if (spill->what == SPILL_CLEAR) {
        bit_set(spill->clear, spill->slot, false);
        if (mark == MARK_KEPT) {
            bit_set(spill->used, spill->slot, false);
        } else {
            fail(spill); /* its press may be offered again after the next power-up, which is harmless */
        }
    } else if (mark == MARK_WAITING) {
        tell_slot(spill, queue);
    } else {
        fail(spill);
    }
}

void spill_run(struct spill_state *spill, const struct pad_board *board, struct queue_state *queue)
{
    if (spill->slots == 0 || !board->eeprom_ready(board->ctx)) {
        return;
    }
    switch (spill->job) {
    case SPILL_IDLE:
        if (!balance(spill, board, queue)) {
            begin_clear(spill);
        }
        break;
    case SPILL_WRITE:
        write_next(spill, board);
        break;
    case SPILL_VERIFY:
        verify(spill, board);
        break;
    case SPILL_MARK:
        board->eeprom_write(board->ctx, slot_address(spill->slot),
                            spill->what == SPILL_CLEAR ? MARK_KEPT : MARK_WAITING);
        spill->job = SPILL_MARK_VERIFY;
        break;
    default:
        verify_mark(spill, board, queue);
        break;
    }
}

bool spill_free(const struct spill_state *spill)
{
    return spill->slots > 0 && spill->job == SPILL_IDLE;
}

bool spill_press(struct spill_state *spill, const struct queue_press *press)
{
    if (!spill_free(spill)) {
        return false;
    }
    for (uint8_t i = 0; i < spill->slots; i++) {
        uint8_t slot = (uint8_t)((spill->next + i) % spill->slots);
        if (!bit_get(spill->used, slot)) {
            bit_set(spill->used, slot, true);
            spill->slot = slot;
            spill->next = (uint8_t)((slot + 1) % spill->slots);
            pack(spill->bytes, press);
            start(spill, SPILL_PRESS, slot_address(slot), SPILL_SLOT_BYTES);
            return true;
        }
    }
    return false;
}

void spill_kept(struct spill_state *spill, uint8_t slot, uint32_t boot, uint32_t seq)
{
    bool writing = spill->what == SPILL_PRESS && (spill->job == SPILL_WRITE || spill->job == SPILL_VERIFY);

    if (slot != QUEUE_NO_SLOT) {
        bit_set(spill->clear, slot, true);
    } else if (writing && wire_get(spill->bytes + 1, 4) == boot && wire_get(spill->bytes + 5, 4) == seq) {
        spill->job = SPILL_IDLE; /* its mark still says kept: the slot is free again */
        bit_set(spill->used, spill->slot, false);
    }
}

bool spill_serial(struct spill_state *spill, const char *serial)
{
    if (!spill_free(spill)) {
        return false;
    }
    bool ended = false;
    for (unsigned i = 0; i < WIRE_SERIAL_MAX; i++) {
        ended = ended || serial[i] == '\0';
        spill->bytes[i] = ended ? 0 : (uint8_t)serial[i];
    }
    spill->bytes[WIRE_SERIAL_MAX] = 0;
    seal(spill->bytes, SERIAL_BYTES);
    start(spill, SPILL_SERIAL, SPILL_SERIAL_AT, SERIAL_BYTES);
    return true;
}

void spill_take_serial(struct spill_state *spill, char serial[WIRE_SERIAL_MAX + 1])
{
    for (unsigned i = 0; i <= WIRE_SERIAL_MAX; i++) {
        serial[i] = (char)spill->bytes[i];
    }
    spill->serial_written = false;
}
