/* pad: joins keys, queue, spill, lamp and wire. See pad.h. */
#include "pad.h"

#include "since.h"

enum { TICK_HZ = 1000000 };

static uint32_t low(uint64_t tick_us)
{
    return (uint32_t)tick_us;
}

/* ---- faults ---- */

static struct pad_fault *fault_of(struct pad_state *pad, enum wire_fault_code code)
{
    return &pad->fault[code - 1];
}

static void fault_begin(struct pad_state *pad, enum wire_fault_code code, uint8_t key)
{
    struct pad_fault *fault = fault_of(pad, code);
    fault->holders = fault->holders < 255 ? (uint8_t)(fault->holders + 1) : fault->holders;
    fault->due = true;
    fault->key = key;
    fault->count++;
    fault->tick_us = pad->now_us;
}

static void fault_end(struct pad_state *pad, enum wire_fault_code code, uint8_t key, bool all)
{
    struct pad_fault *fault = fault_of(pad, code);
    if (fault->holders == 0) {
        return;
    }
    fault->holders = all ? 0 : (uint8_t)(fault->holders - 1);
    fault->due = true;
    fault->key = key;
    fault->tick_us = pad->now_us;
}

static uint8_t fault_bits(const struct pad_state *pad)
{
    uint8_t bits = 0;
    for (unsigned i = 0; i < PAD_FAULTS; i++) {
        if (pad->fault[i].holders > 0) {
            bits |= (uint8_t)(1u << i);
        }
    }
    return bits;
}

/* ---- presses ---- */

/* Puts a press in the queue and answers its seq; 0 when there is no room. */
static uint32_t take_press(struct pad_state *pad, const struct keys_event *event, enum wire_gesture gesture,
                           uint32_t of_seq)
{
    struct queue_press press = {.boot = pad->boot, .seq = pad->seq + 1, .slot = QUEUE_NO_SLOT};
    uint32_t delta = of_seq == 0 ? 0 : press.seq - of_seq;

    press.tick_low = low(event->tick_us);
    press.tick_high = (uint16_t)(event->tick_us >> 32);
    press.before_us = event->before_us;
    press.after_us = event->after_us;
    press.key = event->key;
    press.gesture = (uint8_t)gesture;
    press.of_delta = delta <= 255 ? (uint8_t)delta : 0;
    if (!queue_push(&pad->queue, &press)) {
        struct pad_fault *fault = fault_of(pad, WIRE_FAULT_QUEUE_FULL);
        fault->holders = 0; /* one fault, however many presses it refuses */
        fault_begin(pad, WIRE_FAULT_QUEUE_FULL, event->key);
        lamp_event(&pad->lamp, LAMP_REFUSED, 0, low(pad->now_us));
        return 0;
    }
    pad->seq++;
    lamp_pressed(&pad->lamp);
    return pad->seq;
}

/* The seq of a key's last key-down, at most 255 presses ago; 0 when it was refused. */
static uint32_t down_seq(const struct pad_state *pad, uint8_t key)
{
    if (key >= PAD_KEYS || (pad->down_taken[key / 8] >> (key % 8) & 1) == 0) {
        return 0;
    }
    return pad->seq - (uint8_t)((uint8_t)pad->seq - pad->down_seq[key]);
}

static void on_down(struct pad_state *pad, const struct keys_event *event)
{
    uint8_t key = event->key;
    uint8_t bit = (uint8_t)(1u << (key % 8));
    uint32_t of_seq = down_seq(pad, event->with);
    uint32_t seq = take_press(pad, event, of_seq != 0 ? WIRE_CHORD : WIRE_DOWN, of_seq);

    pad->down_seq[key] = (uint8_t)seq;
    pad->down_taken[key / 8] =
        seq != 0 ? (uint8_t)(pad->down_taken[key / 8] | bit) : (uint8_t)(pad->down_taken[key / 8] & ~bit);
}

/* A key-down that was refused has no hold. */
static void on_hold(struct pad_state *pad, const struct keys_event *event)
{
    uint32_t of_seq = down_seq(pad, event->key);
    if (of_seq != 0) {
        (void)take_press(pad, event, WIRE_HOLD, of_seq);
    }
}

static void on_key(void *ctx, const struct keys_event *event)
{
    struct pad_state *pad = ctx;

    switch (event->kind) {
    case KEYS_DOWN:
        on_down(pad, event);
        break;
    case KEYS_HOLD:
        on_hold(pad, event);
        break;
    case KEYS_GHOST:
        fault_begin(pad, WIRE_FAULT_GHOST, event->key);
        lamp_event(&pad->lamp, LAMP_REFUSED, 0, low(pad->now_us));
        break;
    case KEYS_GHOST_END:
        fault_end(pad, WIRE_FAULT_GHOST, WIRE_NO_KEY, true);
        break;
    case KEYS_STUCK:
        fault_begin(pad, WIRE_FAULT_STUCK, event->key);
        break;
    default:
        fault_end(pad, WIRE_FAULT_STUCK, event->key, false);
        break;
    }
}

static void on_kept(struct pad_state *pad, const struct wire_kept *kept)
{
    uint8_t slot = QUEUE_NO_SLOT;

    if (!queue_remove(&pad->queue, kept->boot, kept->seq, low(pad->now_us), &slot)) {
        return; /* said twice */
    }
    spill_kept(&pad->spill, slot, kept->boot, kept->seq);
    fault_end(pad, WIRE_FAULT_QUEUE_FULL, WIRE_NO_KEY, true);
    if (kept->result == WIRE_RESULT_REFUSED) {
        lamp_event(&pad->lamp, LAMP_REFUSED, 0, low(pad->now_us));
    } else if (kept->result == WIRE_RESULT_STRUCK) {
        lamp_event(&pad->lamp, LAMP_STRUCK, 0, low(pad->now_us));
    } else if (pad_waiting(pad) == 0) {
        lamp_event(&pad->lamp, LAMP_KEPT, pad->kept_us, low(pad->now_us));
    }
}

/*
 * What has waited long enough, or waits while nobody listens, is put where loss of power cannot reach it, one press at a time, oldest
 * first.
 */
static void spill_waiting(struct pad_state *pad)
{
    struct pad_fault *fault = fault_of(pad, WIRE_FAULT_EEPROM);
    uint32_t least_us = pad->linked ? PAD_SPILL_US : 0;

    if (spill_free(&pad->spill) && pad->ready) {
        uint8_t i = 0;
        while (i < pad->queue.count && pad->queue.press[i].slot != QUEUE_NO_SLOT) {
            i++;
        }
        const struct queue_press *press = &pad->queue.press[i];
        if (i < pad->queue.count && since(low(pad->now_us), press->tick_low, least_us)) {
            (void)spill_press(&pad->spill, press);
        }
    }
    spill_run(&pad->spill, pad->board, &pad->queue);
    if (pad->spill.serial_written) { /* it has a serial from the moment it cannot lose it */
        spill_take_serial(&pad->spill, pad->serial);
        pad->hello_due = true;
    }
    if (pad->spill.failed && fault->holders == 0) {
        fault_begin(pad, WIRE_FAULT_EEPROM, WIRE_NO_KEY);
    }
}

/* ---- the boot id must be on record before anything bears it ---- */

static void settle_boot(struct pad_state *pad)
{
    if (pad->ready || (!pad->spill.boot_written && !pad->spill.failed)) {
        return;
    }
    if (!pad->spill.boot_written) {
        for (uint8_t i = 0; i < pad->queue.count; i++) {
            if (pad->queue.press[i].boot == pad->boot) {
                pad->queue.press[i].boot = pad->boot_seed;
            }
        }
        pad->boot = pad->boot_seed;
        pad->hello_flags &= (uint8_t)~WIRE_HELLO_NUMBERED;
    }
    pad->ready = true;
}

/* ---- sending: one frame at a time, the next when the line is idle ---- */

static void send(struct pad_state *pad, const struct wire_message *message)
{
    int n = wire_encode(message, pad->frame, sizeof pad->frame);
    if (n > 0) {
        pad->board->uart_send(pad->board->ctx, pad->frame, (uint8_t)n);
    }
}

static void send_pong(struct pad_state *pad)
{
    struct wire_message message;
    message.type = WIRE_PONG;
    message.u.pong.id = pad->ping_id;
    message.u.pong.boot = pad->boot;
    message.u.pong.rx_tick_us = pad->ping_rx_us;
    message.u.pong.tx_tick_us = pad->now_us;
    message.u.pong.waiting = pad_waiting(pad);
    message.u.pong.faults = fault_bits(pad);
    pad->ping_due = false;
    send(pad, &message);
}

static void send_hello(struct pad_state *pad)
{
    struct wire_message message;
    struct wire_hello *hello = &message.u.hello;
    message.type = WIRE_HELLO;
    hello->version = WIRE_VERSION;
    hello->flags = pad->hello_flags;
    hello->release = PAD_RELEASE;
    hello->boot = pad->boot;
    hello->tick_hz = TICK_HZ;
    hello->rows = pad->board->rows;
    hello->cols = pad->board->cols;
    hello->keys = (uint8_t)(pad->board->rows * pad->board->cols);
    hello->room = PAD_QUEUE;
    if (pad->spill.slots > 0) { /* those on offer lie in both places */
        hello->room = (uint8_t)(PAD_QUEUE + pad->spill.slots - QUEUE_WINDOW);
    }
    hello->waiting = pad_waiting(pad);
    for (unsigned i = 0; i <= WIRE_SERIAL_MAX; i++) {
        hello->serial[i] = pad->serial[i];
    }
    pad->hello_due = false;
    pad->announced = low(pad->now_us);
    send(pad, &message);
}

static void send_flashed(struct pad_state *pad)
{
    struct wire_message message;
    message.type = WIRE_FLASHED;
    message.u.flashed = pad->flashed;
    pad->flashed_due = false;
    send(pad, &message);
}

static bool send_fault(struct pad_state *pad)
{
    uint8_t i = 0;
    while (i < PAD_FAULTS && !pad->fault[i].due) {
        i++;
    }
    if (i == PAD_FAULTS) {
        return false;
    }
    struct wire_message message;
    message.type = WIRE_FAULT;
    message.u.fault.code = (uint8_t)(i + 1);
    message.u.fault.key = pad->fault[i].key;
    message.u.fault.active = pad->fault[i].holders > 0;
    message.u.fault.boot = pad->boot;
    message.u.fault.tick_us = pad->fault[i].tick_us;
    message.u.fault.count = pad->fault[i].count;
    pad->fault[i].due = false;
    send(pad, &message);
    return true;
}

static void send_press(struct pad_state *pad)
{
    const struct queue_press *press = queue_offer(&pad->queue, low(pad->now_us));
    if (press == 0) {
        return;
    }
    struct wire_message message;
    message.type = WIRE_PRESS;
    message.u.press.boot = press->boot;
    message.u.press.seq = press->seq;
    message.u.press.tick_us = (uint64_t)press->tick_high << 32 | press->tick_low;
    message.u.press.before_us = press->before_us;
    message.u.press.after_us = press->after_us;
    message.u.press.key = press->key;
    message.u.press.gesture = press->gesture;
    message.u.press.of_seq = press->of_delta == 0 ? 0 : press->seq - press->of_delta;
    message.u.press.offer = press->offers;
    send(pad, &message);
}

static void send_next(struct pad_state *pad)
{
    if (!pad->ready || !pad->board->uart_idle(pad->board->ctx)) {
        return;
    }
    if (!pad->linked && since(low(pad->now_us), pad->announced, PAD_ANNOUNCE_US)) {
        pad->hello_due = true;
    }
    /* The host must know which boot a tick belongs to, hence hello first; after it a pong, which every byte before it would delay. */
    if (pad->hello_due) {
        send_hello(pad);
    } else if (pad->ping_due) {
        send_pong(pad);
    } else if (pad->flashed_due) {
        send_flashed(pad);
    } else if (!send_fault(pad)) {
        send_press(pad);
    }
}

/* ---- receiving ---- */

static void heard(struct pad_state *pad)
{
    pad->heard = low(pad->now_us);
    if (pad->linked) {
        return;
    }
    pad->linked = true;
    pad->hello_due = true;
    queue_restart(&pad->queue);
    for (unsigned i = 0; i < PAD_FAULTS; i++) {
        pad->fault[i].due = pad->fault[i].due || pad->fault[i].holders > 0;
    }
}

/* 0 leaves the setting as it is; out of range is the nearest end. */
static void set_ms(uint32_t *setting_us, uint16_t ms, uint16_t least, uint16_t most)
{
    if (ms != 0) {
        ms = ms < least ? least : ms > most ? most : ms;
        *setting_us = (uint32_t)ms * 1000u;
    }
}

static void take_settings(struct pad_state *pad, const struct wire_settings *set)
{
    struct keys_settings *keys = &pad->keys_set;
    set_ms(&keys->lockout_us, set->lockout_ms, 5, 200);
    set_ms(&keys->hold_us, set->hold_ms, 200, 5000);
    set_ms(&keys->chord_us, set->chord_ms, 10, 500);
    set_ms(&pad->kept_us, set->kept_ms, 100, 10000);
    if (keys->chord_us > keys->hold_us / 2) {
        keys->chord_us = keys->hold_us / 2;
    }
    if (set->sound != 0) {
        pad->sound = set->sound == 1;
    }
}

/* Set once: a pad that has a serial answers with the one it has. */
static void take_serial(struct pad_state *pad, const char *serial)
{
    pad->hello_due = true;
    if (pad->serial[0] == '\0' && wire_serial_valid(serial)) {
        (void)spill_serial(&pad->spill, serial); /* busy: it stays unset, and the host may ask again */
    }
}

/* One at a time: a lamp that is lit already cannot mark an instant. */
static void take_flash(struct pad_state *pad, const struct wire_flash *flash)
{
    if (pad->flash_due || pad->lamp.flash) {
        return;
    }
    pad->flash_due = true;
    pad->flash_ms = flash->time_ms;
    pad->flashed.id = flash->id;
}

static void on_message(void *ctx, const struct wire_message *message)
{
    struct pad_state *pad = ctx;

    if (message->type < WIRE_ASK_HELLO) {
        return; /* a pad's own kind of message: an echo of ours */
    }
    heard(pad);
    switch (message->type) {
    case WIRE_ASK_HELLO:
        pad->hello_due = true;
        break;
    case WIRE_PING:
        pad->ping_due = true;
        pad->ping_id = message->u.ping.id;
        pad->ping_rx_us = pad->now_us;
        break;
    case WIRE_KEPT:
        on_kept(pad, &message->u.kept);
        break;
    case WIRE_LAMP:
        pad->cue = message->u.lamp.cue;
        pad->cue_us = (uint32_t)message->u.lamp.time_ms * 1000u;
        pad->cue_from = low(pad->now_us);
        break;
    case WIRE_SERIAL_SET:
        take_serial(pad, message->u.serial_set.serial);
        break;
    case WIRE_FLASH:
        take_flash(pad, &message->u.flash);
        break;
    default:
        take_settings(pad, &message->u.settings);
        break;
    }
}

void pad_receive(struct pad_state *pad, uint8_t byte, uint64_t tick_us)
{
    pad->now_us = tick_us;
    wire_decoder_feed(&pad->decoder, &byte, 1, on_message, pad);
}

/* ---- the loop ---- */

static void check_link(struct pad_state *pad)
{
    uint32_t now = low(pad->now_us);

    if (pad->linked && since(now, pad->heard, PAD_LINK_US)) {
        pad->linked = false;
        pad->cue = WIRE_CUE_NONE;
        pad->announced = now - PAD_ANNOUNCE_US;
    }
    if (pad->cue_us != 0 && since(now, pad->cue_from, pad->cue_us)) {
        pad->cue = WIRE_CUE_NONE;
        pad->cue_us = 0;
    }
}

static void show(struct pad_state *pad)
{
    struct lamp_facts facts = {.linked = pad->linked, .waiting = pad_waiting(pad) > 0};
    facts.full = pad->cue == WIRE_CUE_FAULT || fault_of(pad, WIRE_FAULT_QUEUE_FULL)->holders > 0;
    facts.fault = fault_bits(pad) != 0;
    facts.identify = pad->cue == WIRE_CUE_IDENTIFY;
    if (pad->flash_due) {
        pad->flash_due = false;
        lamp_flash(&pad->lamp, (uint32_t)pad->flash_ms * 1000u, low(pad->now_us));
        pad->flashed.boot = pad->boot;
        pad->flashed.tick_us = pad->now_us;
        pad->flashed.within_us = pad->board->lamp_us;
        pad->flashed_due = true;
    }
    lamp_run(&pad->lamp, pad->board, &facts, pad->sound, low(pad->now_us));
}

void pad_init(struct pad_state *pad, const struct pad_board *board, const char *serial, uint32_t boot,
              uint8_t reset_flags, uint64_t tick_us)
{
    *pad = (struct pad_state){.board = board, .now_us = tick_us, .sound = true, .kept_us = 1500000};
    pad->keys_set.confirm_us = 3000;
    pad->keys_set.lockout_us = 20000;
    pad->keys_set.hold_us = 600000;
    pad->keys_set.chord_us = 100000;
    pad->keys_set.stuck_us = 30000000;
    pad->boot_seed = boot == 0 ? 1 : boot;
    pad->boot = pad->boot_seed;
    for (unsigned i = 0; i < WIRE_SERIAL_MAX && serial[i] != '\0'; i++) {
        pad->serial[i] = serial[i];
    }
    keys_init(&pad->keys);
    queue_init(&pad->queue);
    wire_decoder_init(&pad->decoder);
    lamp_init(&pad->lamp, board);
    bool numbered = spill_init(&pad->spill, board, pad->serial, &pad->boot, &pad->queue);
    pad->ready = pad->spill.slots == 0;
    pad->hello_flags =
        (uint8_t)(reset_flags | (board->diodes ? WIRE_HELLO_DIODES : 0u) |
                  (pad->spill.slots > 0 ? WIRE_HELLO_SPILLS : 0u) | (numbered ? WIRE_HELLO_NUMBERED : 0u));
    pad->hello_due = true;
    pad->announced = low(tick_us);
}

void pad_scan(struct pad_state *pad, uint64_t tick_us)
{
    pad->now_us = tick_us;
    keys_scan(&pad->keys, pad->board, &pad->keys_set, tick_us, on_key, pad);
    check_link(pad);
    settle_boot(pad);
}

void pad_send(struct pad_state *pad, uint64_t tick_us)
{
    pad->now_us = tick_us;
    send_next(pad);
}

void pad_show(struct pad_state *pad, uint64_t tick_us)
{
    pad->now_us = tick_us;
    show(pad);
    spill_waiting(pad);
}

void pad_run(struct pad_state *pad, uint64_t tick_us)
{
    pad_scan(pad, tick_us);
    pad_send(pad, tick_us);
    pad_show(pad, tick_us);
}

uint8_t pad_waiting(const struct pad_state *pad)
{
    return (uint8_t)(pad->queue.count + pad->queue.away);
}
