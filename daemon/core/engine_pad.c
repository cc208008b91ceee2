/* Pads: greeting, pings, presses in, kept out. A press is stamped on its own boot's clock; it is answered only when it is on disk. */
#include "core/engine_state.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

/* After HELLO a burst makes the map tight at once; then two pings a second keep it so (docs/timing.md has the figures). */
enum { PING_BURST = 8 };
#define PING_BURST_NS (60 * NS_PER_MS)
#define PING_EVERY_NS (500 * NS_PER_MS)
#define PAD_SILENT_NS (5 * NS_PER_S)
#define CLAP_WAIT_NS (2 * NS_PER_S)

/* ---- boots ---- */

static void boot_forget_presses(struct boot *boot)
{
    boot->highest = 0;
    memset(boot->press, PRESS_NEW, sizeof boot->press);
}

struct boot *engine_boot(struct engine *e, const char *serial, uint32_t id)
{
    struct boot *oldest = &e->boot[0];
    for (size_t i = 0; i < BOOTS_MAX; i++) {
        struct boot *boot = &e->boot[i];
        if (boot->used && boot->id == id && strcmp(boot->serial, serial) == 0)
            return boot;
        if (!boot->used || (oldest->used && boot->heard_ns < oldest->heard_ns))
            oldest = boot;
    }
    struct clockmap_params params = clockmap_params_pad();
    oldest->used = true;
    oldest->id = id;
    oldest->heard_ns = e->now_ns;
    oldest->alive_ns = INT64_MIN; /* it may be heard of only through a press that waited */
    engine_copy(oldest->serial, sizeof oldest->serial, serial);
    boot_forget_presses(oldest);
    clockmap_init(&oldest->map, &params);
    return oldest;
}

static enum press_state boot_press(const struct boot *boot, uint32_t seq)
{
    if (seq > boot->highest)
        return PRESS_NEW;
    if (boot->highest - seq >= KEPT_WINDOW)
        return PRESS_KEPT; /* so far below the highest that the pad must have been told long ago */
    return (enum press_state)boot->press[seq % KEPT_WINDOW];
}

void engine_boot_mark(struct boot *boot, uint32_t seq, enum press_state state)
{
    if (seq > boot->highest) {
        uint32_t fresh = seq - boot->highest;
        if (fresh > KEPT_WINDOW)
            fresh = KEPT_WINDOW;
        for (uint32_t i = 0; i < fresh; i++)
            boot->press[(seq - i) % KEPT_WINDOW] = PRESS_NEW;
        boot->highest = seq;
    }
    if (boot->highest - seq < KEPT_WINDOW)
        boot->press[seq % KEPT_WINDOW] = (uint8_t)state;
}

/* ---- sending ---- */

void engine_pad_send(struct engine *e, int pad, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    int len = wire_encode(message, frame, sizeof frame);
    if (len > 0 && e->pad[pad].up)
        e->sink.pad_send(e->sink.ctx, pad, frame, (size_t)len);
}

static void send_kept(struct engine *e, int pad, uint32_t boot, uint32_t seq, uint8_t result)
{
    struct wire_message message = {.type = WIRE_KEPT, .u.kept = {.boot = boot, .seq = seq, .result = result}};
    engine_pad_send(e, pad, &message);
}

void engine_pad_cue(struct engine *e, int pad)
{
    if (!e->pad[pad].greeted)
        return;
    struct wire_message message = {.type = WIRE_LAMP,
                                   .u.lamp = {.cue = e->store_failing ? WIRE_CUE_FAULT : WIRE_CUE_NONE}};
    engine_pad_send(e, pad, &message);
}

static void send_ping(struct engine *e, int pad)
{
    struct pad_link *link = &e->pad[pad];
    struct wire_message message = {.type = WIRE_PING, .u.ping = {.id = link->next_ping++}};
    struct ping *ping = &link->ping[message.u.ping.id % PINGS_MAX];
    *ping = (struct ping){.used = true, .id = message.u.ping.id, .sent_ns = e->now_ns};
    link->pings_sent++;
    engine_pad_send(e, pad, &message);
    e->due_ns[TIMER_PAD + pad] = e->now_ns + (link->pings_sent < PING_BURST ? PING_BURST_NS : PING_EVERY_NS);
}

static void ask_hello(struct engine *e, int pad)
{
    struct wire_message message = {.type = WIRE_ASK_HELLO, .u.ask_hello = {.version = WIRE_VERSION}};
    engine_pad_send(e, pad, &message);
    e->due_ns[TIMER_PAD + pad] = e->now_ns + PING_EVERY_NS;
}

/* ---- greeting ---- */

static void send_settings(struct engine *e, int pad)
{
    const struct pad_link *link = &e->pad[pad];
    if (!link->has_plan)
        return;
    struct wire_message message = {
        .type = WIRE_SETTINGS,
        .u.settings = {.hold_ms = link->plan.hold_ms, .chord_ms = link->plan.chord_ms}};
    engine_pad_send(e, pad, &message);
}

static void on_hello(struct engine *e, int pad, const struct wire_hello *hello)
{
    struct pad_link *link = &e->pad[pad];
    const char *serial = hello->serial[0] != '\0' ? hello->serial : e->config.pad[pad].name;
    bool again = link->greeted && link->hello.boot == hello->boot && strcmp(link->serial, serial) == 0;
    link->hello = *hello;
    link->greeted = true;
    link->silent = false;
    engine_copy(link->serial, sizeof link->serial, serial);
    link->boot = (int)(engine_boot(e, serial, hello->boot) - e->boot);
    if (again)
        return;
    if (hello->version != WIRE_VERSION)
        engine_notice(e, ENTRY_PAD, serial, "version",
                      "the pad speaks protocol version %u, this daemon %u: update the older one",
                      (unsigned)hello->version, WIRE_VERSION);
    engine_notice(e, ENTRY_PAD, serial, "linked", "at seat %s, power-up %" PRIu32 ", %u presses waiting",
                  e->config.pad[pad].seat, hello->boot, (unsigned)hello->waiting);
    memset(link->ping, 0, sizeof link->ping);
    link->pings_sent = 0;
    send_settings(e, pad);
    engine_pad_cue(e, pad);
    send_ping(e, pad);
}

/* ---- pings ---- */

static void take_untimed(struct engine *e, int pad);

static void observe(struct engine *e, const struct boot *boot)
{
    char clock[64];
    snprintf(clock, sizeof clock, "pad %s %" PRIu32, boot->serial, boot->id);
    size_t count = clockmap_count(&boot->map);
    struct clockmap_constraint constraint;
    if (count == 0 || !clockmap_get(&boot->map, count - 1, &constraint))
        return;
    struct engine_observation observation = {clock, constraint.a, constraint.lo, constraint.hi};
    e->sink.observe(e->sink.ctx, &observation);
}

static void on_pong(struct engine *e, int pad, const struct wire_pong *pong)
{
    struct pad_link *link = &e->pad[pad];
    struct ping *ping = &link->ping[pong->id % PINGS_MAX];
    if (!link->greeted || !ping->used || ping->id != pong->id)
        return;
    ping->used = false;
    if (pong->boot != e->boot[link->boot].id) { /* it was reset and its HELLO got lost */
        ask_hello(e, pad);
        return;
    }
    link->faults = pong->faults;
    struct boot *boot = &e->boot[link->boot];
    boot->heard_ns = e->now_ns;
    boot->alive_ns = ping->sent_ns;
    uint32_t baud = e->config.pad[pad].baud;
    int64_t out = clockmap_wire_ns((uint32_t)wire_frame_bytes(WIRE_PING), baud);
    int64_t back = clockmap_wire_ns((uint32_t)wire_frame_bytes(WIRE_PONG), baud);
    enum clockmap_result result = clockmap_two_way(&boot->map, ping->sent_ns, (int64_t)pong->rx_tick_us,
                                                   (int64_t)pong->tx_tick_us, e->now_ns, out, back);
    if (result == CLOCKMAP_STEP)
        engine_notice(e, ENTRY_CLOCK, link->serial, "stepped",
                      "the pad's clock jumped by %.6f s against the host's", (double)boot->map.step_ns / 1e9);
    if (result != CLOCKMAP_REJECTED)
        observe(e, boot);
    take_untimed(e, pad);
}

/* ---- presses ---- */

/* The instant of a press on the host's clock. False: its boot's clock is not known (yet). */
static bool press_instant(const struct boot *boot, const struct wire_press *press, int64_t *lo, int64_t *hi)
{
    struct clockmap_interval first, last;
    int64_t tick = (int64_t)press->tick_us;
    /* 65535 says "or more": a second covers any scan that still counts as working */
    int64_t before = press->before_us == UINT16_MAX ? 1000000 : press->before_us;
    if (!clockmap_at(&boot->map, tick - before, &first) ||
        !clockmap_at(&boot->map, tick + press->after_us, &last))
        return false;
    *lo = first.lo;
    *hi = last.hi > first.lo ? last.hi : first.lo;
    return true;
}

/*
 * A press of an earlier power-up whose clock was never heard: it happened after the pad was last known to run in an older one and before the present
 * one began. False where there is no such lower end.
 */
static bool press_between_boots(const struct engine *e, const struct pad_link *link, uint32_t id, int64_t *lo,
                                int64_t *hi)
{
    struct clockmap_interval power_up;
    *lo = INT64_MIN;
    *hi = e->now_ns;
    if (link->boot >= 0 && clockmap_at(&e->boot[link->boot].map, 0, &power_up))
        *hi = power_up.hi;
    for (size_t i = 0; i < BOOTS_MAX; i++) {
        const struct boot *boot = &e->boot[i];
        if (boot->used && boot->id < id && strcmp(boot->serial, link->serial) == 0 && boot->alive_ns > *lo &&
            boot->alive_ns <= *hi)
            *lo = boot->alive_ns;
    }
    return *lo != INT64_MIN;
}

static const struct recent *find_recent(const struct engine *e, const char *serial, uint32_t boot,
                                        uint32_t seq)
{
    for (size_t i = 0; i < RECENT_MAX; i++)
        if (e->recent[i].marker != 0 && e->recent[i].seq == seq && e->recent[i].boot_id == boot &&
            strcmp(e->recent[i].serial, serial) == 0)
            return &e->recent[i];
    return NULL;
}

static void remember(struct engine *e, const struct press *press, uint32_t marker)
{
    struct recent *recent = &e->recent[e->recent_next++ % RECENT_MAX];
    engine_copy(recent->serial, sizeof recent->serial, press->serial);
    recent->boot_id = press->boot_id;
    recent->seq = press->seq;
    recent->key = press->key_index;
    recent->marker = marker;
    recent->lo_ns = press->lo_ns;
    recent->hi_ns = press->hi_ns;
}

static uint8_t press_result(enum watch_note note, const struct press *press)
{
    if (note == WATCH_NOTE_REFUSED)
        return WIRE_RESULT_REFUSED;
    if (press->def != NULL && press->def->kind == KEY_KIND_STRIKE && note == WATCH_NOTE_NONE)
        return WIRE_RESULT_STRUCK;
    return WIRE_RESULT_KEPT;
}

static void keep(struct engine *e, int pad, struct boot *boot, const struct press *press)
{
    enum watch_note note = WATCH_NOTE_NONE;
    char ref[REF_SIZE];
    uint32_t marker = engine_marker(e, press, &note, ref);
    remember(e, press, marker);
    engine_boot_mark(boot, press->seq, PRESS_TAKEN);
    e->pad[pad].presses++;
    struct answer *answer = engine_answer(e);
    answer->pad = pad;
    engine_copy(answer->serial, sizeof answer->serial, press->serial);
    answer->boot_id = press->boot_id;
    answer->press_seq = press->seq;
    answer->result = press_result(note, press);
}

/* A hold or chord takes the place of the key-down it refers to, at the same instant. */
static void take_over(struct press *press, const struct recent *down)
{
    press->lo_ns = down->lo_ns;
    press->hi_ns = down->hi_ns;
    press->instead_of = down->marker;
}

static const struct key_def *meaning(const struct pad_link *link, const struct wire_press *in, uint8_t with,
                                     struct press *press)
{
    if (!link->has_plan)
        return NULL;
    const struct key_def *def = NULL;
    if (in->gesture == WIRE_HOLD)
        def = keyplan_find(&link->plan, in->key, KEY_GESTURE_HOLD, in->key);
    else if (in->gesture == WIRE_CHORD && with != WIRE_NO_KEY)
        def = keyplan_find(&link->plan, in->key, KEY_GESTURE_CHORD, with);
    if (def != NULL) {
        press->gesture = in->gesture == WIRE_HOLD ? "hold" : "chord";
        return def;
    }
    press->gesture = "tap";
    return in->gesture == WIRE_HOLD ? NULL : keyplan_find(&link->plan, in->key, KEY_GESTURE_TAP, in->key);
}

static void take_press(struct engine *e, int pad, struct boot *boot, const struct wire_press *in, int64_t lo,
                       int64_t hi)
{
    struct pad_link *link = &e->pad[pad];
    char key[4] = "?";
    wire_key_name(in->key, link->hello.cols > 0 ? link->hello.cols : 4, key);
    struct press press = {.seat = link->seat,
                          .origin = MARKER_FROM_KEY,
                          .pad = pad,
                          .serial = link->serial,
                          .boot_id = in->boot,
                          .seq = in->seq,
                          .tick = {(int64_t)in->tick_us},
                          .plan = link->has_plan ? &link->plan : NULL,
                          .key = key,
                          .key_index = in->key,
                          .lo_ns = lo,
                          .hi_ns = hi};
    const struct recent *down = in->of_seq != 0 ? find_recent(e, link->serial, in->boot, in->of_seq) : NULL;
    press.def = meaning(link, in, down != NULL ? down->key : WIRE_NO_KEY, &press);
    if (in->gesture == WIRE_HOLD && press.def == NULL) {
        /* held longer than meant: the key-down stands for itself */
        engine_boot_mark(boot, in->seq, PRESS_KEPT);
        send_kept(e, pad, in->boot, in->seq, WIRE_RESULT_KEPT);
        return;
    }
    if (press.def != NULL && press.def->gesture != KEY_GESTURE_TAP && down != NULL)
        take_over(&press, down);
    keep(e, pad, boot, &press);
}

static void hold_untimed(struct engine *e, int pad, const struct wire_press *press)
{
    for (size_t i = 0; i < e->untimed_count; i++)
        if (e->untimed[i].press.boot == press->boot && e->untimed[i].press.seq == press->seq &&
            e->untimed[i].pad == pad)
            return;
    if (e->untimed_count < UNTIMED_MAX)
        e->untimed[e->untimed_count++] = (struct untimed){pad, *press};
}

static void on_press(struct engine *e, int pad, const struct wire_press *press)
{
    struct pad_link *link = &e->pad[pad];
    if (!link->greeted) { /* whose press is it? the pad offers it again */
        ask_hello(e, pad);
        return;
    }
    struct boot *boot = engine_boot(e, link->serial, press->boot);
    enum press_state state = boot_press(boot, press->seq);
    if (state == PRESS_KEPT)
        send_kept(e, pad, press->boot, press->seq, WIRE_RESULT_KEPT);
    if (state != PRESS_NEW || engine_answers_full(e))
        return;
    int64_t lo, hi;
    if (press_instant(boot, press, &lo, &hi)) {
        take_press(e, pad, boot, press, lo, hi);
    } else if (boot - e->boot == link->boot) {
        hold_untimed(e, pad, press); /* the first pong is on its way */
    } else {
        if (!press_between_boots(e, link, press->boot, &lo, &hi))
            lo = INT64_MIN; /* not even a lower end: the marker says that its instant is not known */
        take_press(e, pad, boot, press, lo, hi);
    }
}

static void take_untimed(struct engine *e, int pad)
{
    struct untimed held[UNTIMED_MAX];
    size_t count = e->untimed_count;
    memcpy(held, e->untimed, count * sizeof held[0]);
    e->untimed_count = 0; /* on_press puts back what still cannot be timed */
    for (size_t i = 0; i < count; i++) {
        if (held[i].pad == pad)
            on_press(e, pad, &held[i].press);
        else
            e->untimed[e->untimed_count++] = held[i];
    }
}

void engine_pad_answer(struct engine *e, const struct answer *answer)
{
    engine_boot_mark(engine_boot(e, answer->serial, answer->boot_id), answer->press_seq, PRESS_KEPT);
    /* Where the pad has moved to another port, or is away, it offers the press again and hears of it then. */
    if (strcmp(e->pad[answer->pad].serial, answer->serial) == 0)
        send_kept(e, answer->pad, answer->boot_id, answer->press_seq, answer->result);
}

/* ---- other messages ---- */

static void on_fault(struct engine *e, int pad, const struct wire_fault *fault)
{
    struct pad_link *link = &e->pad[pad];
    char key[4] = "";
    if (fault->key != WIRE_NO_KEY)
        wire_key_name(fault->key, link->hello.cols > 0 ? link->hello.cols : 4, key);
    static const char *const advice[] = {
        [WIRE_FAULT_STUCK] = "a key is stuck down: free it",
        [WIRE_FAULT_GHOST] = "keys were down together that this pad cannot tell apart: the press was refused",
        [WIRE_FAULT_QUEUE_FULL] = "the pad is full: presses were refused",
        [WIRE_FAULT_EEPROM] = "the pad's memory fails: presses would not survive loss of power",
    };
    bool known = fault->code >= WIRE_FAULT_STUCK && fault->code <= WIRE_FAULT_EEPROM;
    engine_notice(e, ENTRY_FAULT, link->serial, fault->active ? wire_fault_name(fault->code) : "over",
                  "%s%s%s (%s, %" PRIu32 ")",
                  known ? advice[fault->code] : "a fault of a kind not known here",
                  key[0] != '\0' ? ", key " : "", key, fault->active ? "began" : "ended", fault->count);
}

static void on_flashed(struct engine *e, int pad, const struct wire_flashed *flashed)
{
    if (engine_answers_full(e) || !e->clap.waiting || e->clap.pad != pad || e->clap.id != flashed->id ||
        e->pad[pad].boot < 0)
        return;
    const struct boot *boot = &e->boot[e->pad[pad].boot];
    struct clockmap_interval first, last;
    if (boot->id != flashed->boot || !clockmap_at(&boot->map, (int64_t)flashed->tick_us, &first) ||
        !clockmap_at(&boot->map, (int64_t)flashed->tick_us + flashed->within_us, &last))
        return;
    e->clap.waiting = false;
    e->clap.lit = true;
    e->clap.lo_ns = first.lo;
    e->clap.hi_ns = last.hi;
    struct timecode_stamp heard = engine_timecode_at(e, first.lo, last.hi);
    engine_notice(e, ENTRY_TIMECODE, "clap", "lit", "the lamp of pad %s was lit at timecode %s%s",
                  e->pad[pad].serial, heard.label[0] != '\0' ? heard.label : "unknown",
                  e->timecode.clapped ? " by the claps so far" : " as heard");
    struct answer *answer = engine_answer(e);
    answer->reply.token = e->clap.token;
    answer->reply.seq = e->seq;
    engine_copy(answer->reply.text, sizeof answer->reply.text, heard.label);
}

struct pad_context {
    struct engine *engine;
    int pad;
};

static void on_message(void *ctx, const struct wire_message *message)
{
    struct pad_context *context = ctx;
    struct engine *e = context->engine;
    e->pad[context->pad].heard_ns = e->now_ns;
    switch (message->type) {
    case WIRE_HELLO:
        on_hello(e, context->pad, &message->u.hello);
        break;
    case WIRE_PRESS:
        on_press(e, context->pad, &message->u.press);
        break;
    case WIRE_PONG:
        on_pong(e, context->pad, &message->u.pong);
        break;
    case WIRE_FAULT:
        on_fault(e, context->pad, &message->u.fault);
        break;
    case WIRE_FLASHED:
        on_flashed(e, context->pad, &message->u.flashed);
        break;
    default:
        break; /* a host's message, echoed by a loop in the cable */
    }
}

/* ---- a plain number pad ---- */

static void on_evdev_key(struct engine *e, int pad, const struct fields *fields)
{
    struct pad_link *link = &e->pad[pad];
    char key[KEY_SIZE];
    int64_t seq, at, within = 0;
    if (!fields_text(fields, "key", key, sizeof key) || !fields_int(fields, "seq", &seq) ||
        !fields_int(fields, "at", &at) || engine_answers_full(e))
        return;
    fields_int(fields, "within", &within);
    struct press press = {.seat = link->seat,
                          .origin = MARKER_FROM_KEY,
                          .pad = pad,
                          .serial = link->serial,
                          .boot_id = link->hello.boot,
                          .seq = (uint32_t)seq,
                          .plan = link->has_plan ? &link->plan : NULL,
                          .key = key,
                          .gesture = "tap",
                          .lo_ns = at - within,
                          .hi_ns = at};
    if (link->has_plan)
        press.def = keyplan_find_name(&link->plan, key, KEY_GESTURE_TAP);
    keep(e, pad, engine_boot(e, link->serial, link->hello.boot), &press);
}

static void evdev_bytes(struct engine *e, int pad, const void *bytes, size_t len)
{
    struct fields fields;
    char op[16];
    if (!fields_parse(&fields, bytes, len) || !fields_text(&fields, "op", op, sizeof op))
        return;
    struct pad_link *link = &e->pad[pad];
    int64_t boot = 0;
    if (strcmp(op, "hello") == 0) {
        /* such a pad has no memory of its own: each opening is a power-up of its own */
        if (!fields_text(&fields, "serial", link->serial, sizeof link->serial) || link->serial[0] == '\0')
            engine_copy(link->serial, sizeof link->serial, e->config.pad[pad].name);
        fields_int(&fields, "boot", &boot);
        link->hello.boot = (uint32_t)boot;
        link->greeted = true;
        link->boot = (int)(engine_boot(e, link->serial, link->hello.boot) - e->boot);
        engine_notice(e, ENTRY_PAD, link->serial, "linked", "number pad at seat %s", e->config.pad[pad].seat);
    } else if (strcmp(op, "key") == 0 && link->greeted) {
        on_evdev_key(e, pad, &fields);
    }
}

/* ---- the link ---- */

void engine_pad_up(struct engine *e, int pad)
{
    struct pad_link *link = &e->pad[pad];
    link->up = true;
    link->greeted = false;
    link->silent = false;
    link->heard_ns = e->now_ns;
    wire_decoder_init(&link->decoder);
    link->bad_told = 0;
    if (!e->config.pad[pad].is_evdev)
        ask_hello(e, pad);
}

void engine_pad_down(struct engine *e, int pad, const struct fields *fields)
{
    struct pad_link *link = &e->pad[pad];
    char why[200];
    fields_text(fields, "why", why, sizeof why);
    bool told = link->greeted;
    link->up = false;
    link->greeted = false;
    e->due_ns[TIMER_PAD + pad] = NEVER;
    size_t kept = 0; /* what was not yet timed is still in the pad */
    for (size_t i = 0; i < e->untimed_count; i++)
        if (e->untimed[i].pad != pad)
            e->untimed[kept++] = e->untimed[i];
    e->untimed_count = kept;
    if (e->clap.waiting && e->clap.pad == pad)
        engine_clap_give_up(e, "the pad was unplugged");
    if (told)
        engine_notice(e, ENTRY_PAD, link->serial, "lost", "%s; it is looked for again",
                      why[0] != '\0' ? why : "unplugged");
}

static void tell_bad_frames(struct engine *e, struct pad_link *link)
{
    const struct wire_counters *bad = &link->decoder.counters;
    uint32_t count = bad->crc + bad->cobs + bad->length + bad->value;
    /* The first, then each time it has grown tenfold: a noisy line must not fill the journal. */
    if (count == 0 || (link->bad_told != 0 && count / 10 < link->bad_told))
        return;
    link->bad_told = count;
    engine_notice(e, ENTRY_PAD, link->serial, "bad frames",
                  "%" PRIu32 " damaged frames so far; presses are offered again", count);
}

void engine_pad_bytes(struct engine *e, int pad, const void *bytes, size_t len)
{
    if (e->config.pad[pad].is_evdev) {
        evdev_bytes(e, pad, bytes, len);
        return;
    }
    struct pad_context context = {e, pad};
    wire_decoder_feed(&e->pad[pad].decoder, bytes, len, on_message, &context);
    if (e->pad[pad].greeted)
        tell_bad_frames(e, &e->pad[pad]);
}

void engine_pad_timer(struct engine *e, int pad)
{
    struct pad_link *link = &e->pad[pad];
    if (!link->up)
        return;
    if (!link->greeted) {
        ask_hello(e, pad);
        return;
    }
    if (!link->silent && e->now_ns - link->heard_ns > PAD_SILENT_NS) {
        link->silent = true;
        engine_notice(e, ENTRY_PAD, link->serial, "silent",
                      "nothing heard for %d s though the port is open: check the cable",
                      (int)(PAD_SILENT_NS / NS_PER_S));
    }
    if (e->clap.waiting && e->clap.pad == pad && e->now_ns - e->clap.asked_ns > CLAP_WAIT_NS)
        engine_clap_give_up(e, "the pad did not say so");
    send_ping(e, pad);
}
