#include "rig.h"

#include "instruments.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MATCH_US = 60000 };

static const int64_t NOT_YET = INT64_MIN;

/* A press to come. */
struct planned {
    int64_t at_ns, hold_ns;
    int pad;
    uint8_t key;
};

struct rig {
    const struct script *script;
    const struct rig_sink *sink;
    struct keypad_sink keypad_sink;
    struct chance chance;
    int64_t start_ns, now_ns, utc_offset_ns, slice_ns;

    struct keypad *pad[SCRIPT_PADS_MAX];
    bool plugged[SCRIPT_PADS_MAX];
    enum pad_lamp lamp[SCRIPT_PADS_MAX];
    int phantoms[SCRIPT_PADS_MAX];

    struct instruments *instruments;
    struct recorder *recorder;
    bool recorder_running;

    size_t next_action;

    struct planned *planned; /* in order of time; the first planned_done have begun */
    size_t planned_count, planned_done, planned_room;
    struct rig_press *press; /* in order of time */
    int presses, press_room;
    int oldest; /* nothing more will be heard of presses before this one */
};

static void news(struct rig *rig, int64_t at_ns, const struct rig_press *press, enum rig_news what)
{
    rig->sink->press(rig->sink->ctx, at_ns, press, (int)what);
}

static void tell(struct rig *rig, int64_t at_ns, const char *what, int pad, const char *text)
{
    uint32_t boot = pad >= 0 ? keypad_boot(rig->pad[pad]) : 0;
    rig->sink->event(rig->sink->ctx, at_ns, what, pad, boot, text);
}

static void say(struct rig *rig, const char *format, const char *name)
{
    char text[SCRIPT_TEXT_SIZE + 64];
    snprintf(text, sizeof text, format, name);
    rig->sink->say(rig->sink->ctx, rig->now_ns, text);
}

/* ---- what a pad tells ---- */

static void on_pad_bytes(void *ctx, int pad, int64_t now_ns, const uint8_t *bytes, size_t len)
{
    const struct rig *rig = ctx;
    rig->sink->pad_bytes(rig->sink->ctx, pad, now_ns, bytes, len);
}

static void on_touched(void *ctx, int pad, int64_t at_ns, int index)
{
    struct rig *rig = ctx;
    struct rig_press *press = &rig->press[index];
    if (!keypad_powered(rig->pad[pad])) {
        press->in_vain = true;
        return;
    }
    press->touched = true;
    press->plugged = rig->plugged[pad];
    press->at_ns = at_ns;
    press->utc_ns = at_ns + rig->utc_offset_ns;
    press->boot = keypad_boot(rig->pad[pad]);
    press->tick_us = keypad_tick(rig->pad[pad], at_ns);
    press->timecode_known =
        rig->recorder && recorder_frame_at(rig->recorder, at_ns, &press->frame, &press->within);
    world_at(&rig->script->world, (double)(at_ns - rig->start_ns) / 1e9, &press->world);
    news(rig, at_ns, press, RIG_TOUCHED);
}

static void on_lamp(void *ctx, int pad, int64_t at_ns, enum pad_lamp colour)
{
    struct rig *rig = ctx;
    rig->lamp[pad] = colour;
    for (int i = rig->oldest; i < rig->presses; i++) {
        struct rig_press *press = &rig->press[i];
        if (press->pad != pad || press->seq == 0)
            continue;
        if (colour == PAD_LAMP_AMBER && press->amber_ns == NOT_YET && press->kept_ns == NOT_YET) {
            press->amber_ns = at_ns;
            news(rig, at_ns, press, RIG_AMBER);
        } else if (colour == PAD_LAMP_GREEN && press->green_ns == NOT_YET && press->kept_ns != NOT_YET) {
            press->green_ns = at_ns;
            news(rig, at_ns, press, RIG_GREEN);
        }
    }
}

static int64_t distance_us(uint64_t a, uint64_t b)
{
    return a > b ? (int64_t)(a - b) : (int64_t)(b - a);
}

/* The press that the firmware means: this key, this boot, the nearest instant. */
static struct rig_press *find_touched(struct rig *rig, int pad, const struct wire_press *stamp)
{
    struct rig_press *best = NULL;
    for (int i = rig->presses - 1; i >= rig->oldest; i--) {
        struct rig_press *press = &rig->press[i];
        if (press->pad != pad || !press->touched || press->boot != stamp->boot || press->key != stamp->key ||
            press->seq != 0)
            continue;
        int64_t off_us = distance_us(press->tick_us, stamp->tick_us);
        if (off_us <= MATCH_US && (!best || off_us < distance_us(best->tick_us, stamp->tick_us)))
            best = press;
    }
    return best;
}

static struct rig_press *find_seq(struct rig *rig, int pad, uint32_t boot, uint32_t seq)
{
    for (int i = rig->presses - 1; i >= rig->oldest; i--) {
        struct rig_press *press = &rig->press[i];
        if (press->pad == pad && press->boot == boot && seq != 0 &&
            (press->seq == seq || press->hold_seq == seq))
            return press;
    }
    return NULL;
}

static void saw_press(struct rig *rig, int pad, int64_t at_ns, const struct wire_press *stamp)
{
    if (find_seq(rig, pad, stamp->boot, stamp->seq))
        return; /* offered again */
    if (stamp->gesture == WIRE_HOLD) {
        struct rig_press *held = find_seq(rig, pad, stamp->boot, stamp->of_seq);
        if (held) {
            held->hold_seq = stamp->seq;
            news(rig, at_ns, held, RIG_HELD);
            return;
        }
    }
    struct rig_press *press = find_touched(rig, pad, stamp);
    if (!press) {
        char text[16] = "";
        (void)wire_key_name(stamp->key, rig->script->pad[pad].cols, text);
        rig->phantoms[pad]++;
        tell(rig, at_ns, "phantom", pad, text);
        return;
    }
    press->seq = stamp->seq;
    press->stamp = *stamp;
    news(rig, at_ns, press, RIG_SEEN);
    if (rig->lamp[pad] == PAD_LAMP_AMBER) {
        press->amber_ns = at_ns;
        news(rig, at_ns, press, RIG_AMBER);
    }
}

static void on_said(void *ctx, int pad, int64_t at_ns, const struct wire_message *message)
{
    struct rig *rig = ctx;
    if (message->type == WIRE_PRESS)
        saw_press(rig, pad, at_ns, &message->u.press);
}

static void on_heard(void *ctx, int pad, int64_t at_ns, const struct wire_message *message)
{
    struct rig *rig = ctx;
    if (message->type != WIRE_KEPT)
        return;
    struct rig_press *press = find_seq(rig, pad, message->u.kept.boot, message->u.kept.seq);
    if (!press || press->kept_ns != NOT_YET || message->u.kept.seq != press->seq)
        return;
    press->kept_ns = at_ns;
    press->result = message->u.kept.result;
    news(rig, at_ns, press, RIG_KEPT);
}

/* ---- presses to come ---- */

static int by_time(const void *a, const void *b)
{
    const struct planned *x = a;
    const struct planned *y = b;
    return (x->at_ns > y->at_ns) - (x->at_ns < y->at_ns);
}

/* Adds to what is planned; sort_planned() is to follow. */
static bool plan(struct rig *rig, int pad, uint8_t key, int64_t at_ns, int64_t hold_ns)
{
    if (rig->planned_count == rig->planned_room) {
        size_t room = rig->planned_room ? 2 * rig->planned_room : 256;
        struct planned *bigger = realloc(rig->planned, room * sizeof *bigger);
        if (!bigger)
            return false;
        rig->planned = bigger;
        rig->planned_room = room;
    }
    rig->planned[rig->planned_count++] = (struct planned){at_ns, hold_ns, pad, key};
    return true;
}

/* What is behind goes, the rest is put in order. */
static void sort_planned(struct rig *rig)
{
    rig->planned_count -= rig->planned_done;
    if (rig->planned_count > 0) {
        memmove(rig->planned, rig->planned + rig->planned_done, rig->planned_count * sizeof rig->planned[0]);
        qsort(rig->planned, rig->planned_count, sizeof rig->planned[0], by_time);
    }
    rig->planned_done = 0;
}

static bool begin_press(struct rig *rig, const struct planned *planned)
{
    if (rig->presses == rig->press_room) {
        int room = rig->press_room ? 2 * rig->press_room : 256;
        struct rig_press *bigger = realloc(rig->press, (size_t)room * sizeof *bigger);
        if (!bigger)
            return false;
        rig->press = bigger;
        rig->press_room = room;
    }
    struct rig_press *press = &rig->press[rig->presses];
    memset(press, 0, sizeof *press);
    press->number = rig->presses + 1;
    press->pad = planned->pad;
    press->key = planned->key;
    press->hold_ns = planned->hold_ns;
    press->kept_ns = press->amber_ns = press->green_ns = press->power_age_ns = NOT_YET;
    if (!keypad_press(rig->pad[planned->pad], planned->key, planned->at_ns, planned->hold_ns, rig->presses))
        return false;
    rig->presses++;
    return true;
}

static void begin_planned(struct rig *rig, int64_t until_ns)
{
    while (rig->planned_done < rig->planned_count && rig->planned[rig->planned_done].at_ns <= until_ns) {
        const struct planned *planned = &rig->planned[rig->planned_done++];
        if (keypad_powered(rig->pad[planned->pad]) && !begin_press(rig, planned))
            say(rig, "a press on pad %s could not be made: no room", rig->script->pad[planned->pad].name);
    }
}

bool rig_press_now(struct rig *rig, int pad, uint8_t key, int64_t down_ns, int64_t hold_ns)
{
    bool room = keypad_powered(rig->pad[pad]) && plan(rig, pad, key, down_ns, hold_ns);
    sort_planned(rig);
    return room;
}

/* Several fingers at once come down within 25 ms of each other. */
static void plan_keys(struct rig *rig, const struct script_action *action, int64_t at_ns)
{
    for (uint8_t i = 0; i < action->key_count; i++) {
        int64_t after_ns = i == 0 ? 0 : chance_range(&rig->chance, 2000000, 25000000);
        (void)plan(rig, action->pad, action->key[i], at_ns + after_ns, action->span_ns);
    }
    sort_planned(rig);
}

static int by_value(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a;
    int64_t y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

static uint8_t random_key(struct rig *rig, int pad, uint64_t allowed)
{
    int64_t count = (int64_t)rig->script->pad[pad].rows * rig->script->pad[pad].cols;
    uint8_t key = 0;
    do
        key = (uint8_t)chance_range(&rig->chance, 0, count - 1);
    while (allowed && !(allowed >> key & 1));
    return key;
}

/*
 * Presses at random instants, each on a random pad. Two on one pad keep 180 ms apart, so that they are neither pressed together
 * nor is one key pressed again before it has come up; holds stay below what a pad takes for a long one.
 */
static void plan_random(struct rig *rig, const struct script_action *action, int64_t at_ns)
{
    int64_t *instant = calloc((size_t)action->count, sizeof *instant);
    int64_t free_ns[SCRIPT_PADS_MAX] = {0};
    if (!instant)
        return;
    for (int64_t i = 0; i < action->count; i++)
        instant[i] = at_ns + chance_range(&rig->chance, 0, action->span_ns);
    qsort(instant, (size_t)action->count, sizeof instant[0], by_value);
    for (int64_t i = 0; i < action->count; i++) {
        int pad = 0;
        do
            pad = (int)chance_range(&rig->chance, 0, rig->script->pad_count - 1);
        while (!(action->pads >> pad & 1));
        int64_t down_ns = instant[i] > free_ns[pad] ? instant[i] : free_ns[pad];
        (void)plan(rig, pad, random_key(rig, pad, action->keys[pad]), down_ns,
                   chance_range(&rig->chance, 50000000, 130000000));
        free_ns[pad] = down_ns + 180000000;
    }
    sort_planned(rig);
    free(instant);
}

/* ---- plugs and power ---- */

/* When power goes, every press not yet kept is at risk; what the pad still holds when power is back was saved. */
static void power_cut(struct rig *rig, int pad)
{
    for (int i = rig->oldest; i < rig->presses; i++) {
        struct rig_press *press = &rig->press[i];
        if (press->pad == pad && press->touched && press->kept_ns == NOT_YET &&
            press->power_age_ns == NOT_YET)
            press->power_age_ns = rig->now_ns - press->at_ns;
    }
    keypad_power(rig->pad[pad], rig->now_ns, false);
}

static void power_back(struct rig *rig, int pad)
{
    keypad_power(rig->pad[pad], rig->now_ns, true);
    tell(rig, rig->now_ns, "boot", pad, "");
    for (int i = rig->oldest; i < rig->presses; i++) {
        struct rig_press *press = &rig->press[i];
        if (press->pad != pad || press->power_age_ns == NOT_YET || press->kept_ns != NOT_YET || press->gone)
            continue;
        if (!keypad_holds(rig->pad[pad], press->boot, press->tick_us, press->key)) {
            press->gone = true;
            news(rig, rig->now_ns, press, RIG_GONE);
        }
    }
}

static void pull(struct rig *rig, const struct script_action *action)
{
    const char *name = rig->script->pad[action->pad].name;
    rig->plugged[action->pad] = false;
    keypad_plug(rig->pad[action->pad], false);
    rig->sink->pad_plug(rig->sink->ctx, action->pad, rig->now_ns, false);
    tell(rig, rig->now_ns, "pull", action->pad, action->on ? "power on" : "power off");
    say(rig, action->on ? "pad %s is pulled; it keeps its power" : "pad %s is pulled and loses its power",
        name);
    if (!action->on)
        power_cut(rig, action->pad);
}

static void plug(struct rig *rig, const struct script_action *action)
{
    rig->plugged[action->pad] = true;
    keypad_plug(rig->pad[action->pad], true);
    if (!keypad_powered(rig->pad[action->pad]))
        power_back(rig, action->pad);
    rig->sink->pad_plug(rig->sink->ctx, action->pad, rig->now_ns, true);
    tell(rig, rig->now_ns, "plug", action->pad, "");
    say(rig, "pad %s is plugged in again", rig->script->pad[action->pad].name);
}

/* ---- the script ---- */

static void garble_pad(struct rig *rig, const struct script_action *action)
{
    for (int64_t left = action->count; left > 0;) {
        uint8_t noise[64];
        size_t n = left < (int64_t)sizeof noise ? (size_t)left : sizeof noise;
        for (size_t i = 0; i < n; i++)
            noise[i] = (uint8_t)chance_u64(&rig->chance);
        if (rig->plugged[action->pad])
            rig->sink->pad_bytes(rig->sink->ctx, action->pad, rig->now_ns, noise, n);
        keypad_bytes(rig->pad[action->pad], rig->now_ns, noise, n);
        left -= (int64_t)n;
    }
    tell(rig, rig->now_ns, "garble", action->pad, "");
}

static void turn_recorder(struct rig *rig, const struct script_action *action)
{
    switch (action->verb) {
    case SCRIPT_JUMP:
        recorder_jump(rig->recorder, action->relative, action->count);
        break;
    case SCRIPT_SILENT:
        recorder_silence(rig->recorder, rig->now_ns, action->span_ns);
        break;
    case SCRIPT_LEVEL:
        recorder_level(rig->recorder, action->number);
        break;
    case SCRIPT_NOISE:
        recorder_noise(rig->recorder, action->number);
        break;
    default:
        rig->recorder_running = action->on;
        rig->sink->recorder(rig->sink->ctx, rig->now_ns, action->on);
    }
}

static void act(struct rig *rig, const struct script_action *action)
{
    int64_t at_ns = rig->start_ns + action->at_ns;
    switch (action->verb) {
    case SCRIPT_KEY:
        plan_keys(rig, action, at_ns);
        break;
    case SCRIPT_RANDOM:
        plan_random(rig, action, at_ns);
        break;
    case SCRIPT_PULL:
        pull(rig, action);
        break;
    case SCRIPT_PLUG:
        plug(rig, action);
        break;
    case SCRIPT_GARBLE:
        if (action->pad >= 0)
            garble_pad(rig, action);
        else
            instruments_garble(rig->instruments, (enum script_feed)action->feed, rig->now_ns, action->count);
        break;
    case SCRIPT_FEED:
        instruments_switch(rig->instruments, (enum script_feed)action->feed, action->on);
        say(rig, action->on ? "feed %s speaks again" : "feed %s falls silent",
            script_feed_name((enum script_feed)action->feed));
        break;
    case SCRIPT_SIGNAL:
        tell(rig, rig->now_ns, "signal", -1, action->text);
        break;
    case SCRIPT_SAY:
        say(rig, "%s", action->text);
        break;
    case SCRIPT_END:
        break;
    default:
        if (rig->recorder)
            turn_recorder(rig, action);
    }
}

/* ---- time ---- */

/* Presses at the front of the list of which nothing more will be heard. */
static void retire(struct rig *rig)
{
    while (rig->oldest < rig->presses) {
        const struct rig_press *press = &rig->press[rig->oldest];
        bool answered = press->green_ns != NOT_YET ||
                        (press->kept_ns != NOT_YET && rig->now_ns - press->kept_ns > 5000000000);
        bool lifted =
            rig->now_ns - press->at_ns > press->hold_ns + 1000000000; /* its HOLD has come, if any */
        bool over = press->gone || press->in_vain || (answered && lifted);
        if (!over)
            return;
        rig->oldest++;
    }
}

static void slice(struct rig *rig, int64_t to_ns)
{
    /* The recorder goes first: what a press finds out about timecode must be made already. */
    if (rig->recorder)
        recorder_run(rig->recorder, to_ns);
    while (rig->next_action < rig->script->action_count &&
           rig->start_ns + rig->script->action[rig->next_action].at_ns <= to_ns)
        act(rig, &rig->script->action[rig->next_action++]);
    begin_planned(rig, to_ns);
    instruments_run(rig->instruments, to_ns);
    for (int pad = 0; pad < rig->script->pad_count; pad++)
        keypad_run(rig->pad[pad], to_ns);
    rig->now_ns = to_ns;
}

void rig_advance(struct rig *rig, int64_t now_ns)
{
    while (rig->now_ns < now_ns) {
        int64_t left_ns = now_ns - rig->now_ns;
        slice(rig, rig->now_ns + (left_ns < rig->slice_ns ? left_ns : rig->slice_ns));
    }
    retire(rig);
}

void rig_pad_bytes(struct rig *rig, int pad, int64_t now_ns, const uint8_t *bytes, size_t len)
{
    rig_advance(rig, now_ns);
    keypad_bytes(rig->pad[pad], rig->now_ns, bytes, len);
}

void rig_set_slice(struct rig *rig, int64_t slice_ns)
{
    rig->slice_ns = slice_ns;
}

void rig_set_utc(struct rig *rig, int64_t offset_ns)
{
    rig->utc_offset_ns = offset_ns;
    instruments_set_utc(rig->instruments, offset_ns);
}

/* ---- life ---- */

static void on_audio(void *ctx, int64_t now_ns, const int16_t *samples, size_t count)
{
    const struct rig *rig = ctx;
    if (rig->recorder_running)
        rig->sink->audio(rig->sink->ctx, now_ns, samples, count);
}

static void on_feed(void *ctx, enum script_feed feed, int64_t now_ns, const char *bytes, size_t len)
{
    const struct rig *rig = ctx;
    rig->sink->feed(rig->sink->ctx, feed, now_ns, bytes, len);
}

static bool make_pads(struct rig *rig, const char *folder)
{
    for (int i = 0; i < rig->script->pad_count; i++) {
        char path[512];
        const struct script_pad *pad = &rig->script->pad[i];
        snprintf(path, sizeof path, "%s/pad-%s.eeprom", folder ? folder : "", pad->name);
        rig->pad[i] = keypad_new(pad, i, rig->script->seed, folder ? path : NULL, &rig->keypad_sink);
        if (!rig->pad[i])
            return false;
    }
    return true;
}

struct rig *rig_new(const struct script *script, const char *folder, int64_t now_ns, int64_t utc_offset_ns,
                    const struct rig_sink *sink)
{
    struct rig *rig = calloc(1, sizeof *rig);
    if (!rig)
        return NULL;
    rig->script = script;
    rig->sink = sink;
    rig->keypad_sink = (struct keypad_sink){rig, on_pad_bytes, on_touched, on_lamp, on_said, on_heard};
    rig->chance = chance_split(script->seed, 1);
    rig->start_ns = rig->now_ns = now_ns;
    rig->slice_ns = 1000000;
    rig->utc_offset_ns = utc_offset_ns;
    rig->recorder_running = script->recorder.used;
    rig->instruments = instruments_new(script, now_ns, utc_offset_ns, on_feed, rig);
    if (script->recorder.used)
        rig->recorder = recorder_new(&script->recorder, script->seed,
                                     now_ns + chance_range(&rig->chance, 0, 50000000), on_audio, rig);
    if (!rig->instruments || (script->recorder.used && !rig->recorder) || !make_pads(rig, folder)) {
        rig_free(rig);
        return NULL;
    }
    return rig;
}

void rig_begin(struct rig *rig)
{
    for (int pad = 0; pad < rig->script->pad_count; pad++) {
        rig->plugged[pad] = true;
        keypad_plug(rig->pad[pad], true);
        keypad_power(rig->pad[pad], rig->now_ns, true);
        rig->sink->pad_plug(rig->sink->ctx, pad, rig->now_ns, true);
        tell(rig, rig->now_ns, "boot", pad, "");
    }
    if (rig->recorder)
        rig->sink->recorder(rig->sink->ctx, rig->now_ns, true);
}

void rig_free(struct rig *rig)
{
    if (!rig)
        return;
    for (int pad = 0; pad < rig->script->pad_count; pad++)
        keypad_free(rig->pad[pad]);
    instruments_free(rig->instruments);
    recorder_free(rig->recorder);
    free(rig->planned);
    free(rig->press);
    free(rig);
}

/* ---- the end ---- */

static bool all_over(const struct rig *rig)
{
    for (int i = rig->oldest; i < rig->presses; i++) {
        const struct rig_press *press = &rig->press[i];
        if (press->in_vain || press->gone)
            continue;
        if (press->kept_ns == NOT_YET)
            return false;
        /* Let a HOLD of the last press come, and its lamp. */
        if (press->hold_seq == 0 && press->kept_ns != NOT_YET && rig->now_ns - press->kept_ns < 1000000000)
            return false;
    }
    return true;
}

bool rig_done(const struct rig *rig)
{
    if (rig->next_action < rig->script->action_count || rig->planned_done < rig->planned_count)
        return false;
    return all_over(rig) || rig_gave_up(rig);
}

bool rig_gave_up(const struct rig *rig)
{
    int64_t end_ns = rig->start_ns + script_length_ns(rig->script) + rig->script->limit_ns;
    return rig->now_ns > end_ns && !all_over(rig);
}

static bool stamp_holds(const struct rig_press *press)
{
    const struct wire_press *stamp = &press->stamp;
    int64_t off_us = (int64_t)(press->tick_us - stamp->tick_us); /* positive: the truth is later */
    return (stamp->before_us == 65535 || off_us >= -(int64_t)stamp->before_us - 1) &&
           off_us <= (int64_t)stamp->after_us + 1;
}

static void count_one(const struct rig *rig, const struct rig_press *press, struct rig_count *count)
{
    count->made++;
    count->gone += press->gone;
    if (press->seq != 0) {
        int64_t off_us = distance_us(press->tick_us, press->stamp.tick_us);
        count->seen++;
        count->stamp_worst_us = off_us > count->stamp_worst_us ? off_us : count->stamp_worst_us;
        count->stamp_outside += !stamp_holds(press);
    } else if (!press->gone && !keypad_holds(rig->pad[press->pad], press->boot, press->tick_us, press->key)) {
        count->missed++;
    }
    if (press->kept_ns != NOT_YET)
        count->kept++;
    if (press->kept_ns != NOT_YET && press->result == WIRE_RESULT_REFUSED)
        count->refused++;
}

void rig_count(const struct rig *rig, int pad, struct rig_count *out)
{
    memset(out, 0, sizeof *out);
    int64_t *green = calloc((size_t)rig->presses + 1, sizeof *green);
    size_t greens = 0;
    for (int i = 0; i < rig->presses; i++) {
        const struct rig_press *press = &rig->press[i];
        if (!press->touched || (pad >= 0 && press->pad != pad))
            continue;
        count_one(rig, press, out);
        if (green && press->plugged && press->green_ns != NOT_YET)
            green[greens++] = press->green_ns - press->at_ns;
    }
    for (int i = 0; i < rig->script->pad_count; i++)
        if (pad < 0 || pad == i)
            out->phantoms += rig->phantoms[i];
    if (greens > 0) {
        qsort(green, greens, sizeof green[0], by_value);
        out->green_median_ns = green[greens / 2];
        out->green_p99_ns = green[(greens - 1) * 99 / 100];
    }
    free(green);
}
