#include "core/engine_state.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void engine_copy(char *out, size_t size, const char *text)
{
    size_t len = strlen(text);
    if (len >= size)
        len = size - 1;
    memmove(out, text, len);
    out[len] = '\0';
}

/* ---- effects ---- */

void engine_log(struct engine *e, enum engine_log_level level, const char *format, ...)
{
    char text[512];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    e->sink.log(e->sink.ctx, level, text);
}

struct entry *engine_entry(struct engine *e, enum entry_type type)
{
    struct entry *entry = &e->entry;
    entry->seq = 0;
    entry->type = type;
    engine_copy(entry->dive, sizeof entry->dive, e->dive.open ? e->dive.id : "");
    entry->at = engine_when(e, e->now_ns, e->now_ns);
    if (type == ENTRY_MARKER)
        memset(&entry->of.marker, 0, offsetof(struct marker, telemetry.reading));
    else if (type == ENTRY_SETTLED)
        memset(&entry->of.settled, 0, offsetof(struct settled, telemetry.reading));
    else
        memset(&entry->of, 0, entry_size(entry) - offsetof(struct entry, of));
    return entry;
}

void engine_commit(struct engine *e, struct entry *entry)
{
    entry->seq = ++e->seq;
    e->sink.commit(e->sink.ctx, entry);
}

void engine_notice(struct engine *e, enum entry_type type, const char *about, const char *state,
                   const char *format, ...)
{
    struct entry *entry = engine_entry(e, type);
    engine_copy(entry->of.notice.about, sizeof entry->of.notice.about, about);
    engine_copy(entry->of.notice.state, sizeof entry->of.notice.state, state);
    va_list args;
    va_start(args, format);
    vsnprintf(entry->of.notice.text, sizeof entry->of.notice.text, format, args);
    va_end(args);
    engine_commit(e, entry);
}

/* ---- answers that wait for a commit ---- */

bool engine_answers_full(const struct engine *e)
{
    return e->answer_count == ANSWERS_MAX;
}

struct answer *engine_answer(struct engine *e)
{
    struct answer *answer = &e->answer[(e->answer_first + e->answer_count++) % ANSWERS_MAX];
    memset(answer, 0, sizeof *answer);
    answer->seq = e->seq;
    answer->pad = -1;
    return answer;
}

void engine_answer_committed(struct engine *e, int64_t seq)
{
    if (seq > e->seq)
        seq = e->seq; /* the store cannot know more than the core made */
    while (e->answer_count > 0 && e->answer[e->answer_first].seq <= seq) {
        struct answer *answer = &e->answer[e->answer_first];
        e->answer_first = (e->answer_first + 1) % ANSWERS_MAX;
        e->answer_count--;
        if (answer->pad >= 0)
            engine_pad_answer(e, answer);
        else
            e->sink.reply(e->sink.ctx, &answer->reply);
    }
    if (seq > e->committed_seq) {
        e->committed_seq = seq;
        e->sink.publish(e->sink.ctx, seq);
    }
}

/* ---- the store's state ---- */

static void store_state(struct engine *e, const struct fields *fields)
{
    char state[16], why[256];
    fields_text(fields, "state", state, sizeof state);
    fields_text(fields, "why", why, sizeof why);
    bool failing = strcmp(state, "ok") != 0;
    if (failing == e->store_failing)
        return;
    e->store_failing = failing;
    for (int pad = 0; pad < (int)e->config.pad_count; pad++)
        engine_pad_cue(e, pad);
    /* The entry waits with all others until the store can write again: then the record tells of the trouble too. */
    if (failing)
        engine_notice(e, ENTRY_FAULT, "store", state, "nothing can be stored: %s. Presses stay in the pads.",
                      why);
    else
        engine_notice(e, ENTRY_FAULT, "store", "ok", "storing works again");
}

/* ---- timers ---- */

static void run_timer(struct engine *e, int timer)
{
    e->due_ns[timer] = NEVER;
    if (timer == TIMER_SETTLE)
        engine_settle_timer(e);
    else if (timer == TIMER_IDLE)
        engine_idle_timer(e);
    else if (timer == TIMER_UTC)
        engine_utc_timer(e);
    else if (timer == TIMER_TIMECODE)
        engine_timecode_timer(e);
    else if (timer < TIMER_FEED)
        engine_pad_timer(e, timer - TIMER_PAD);
    else
        engine_feed_timer(e, timer - TIMER_FEED);
}

static int earliest_timer(const struct engine *e)
{
    int first = 0;
    for (int i = 1; i < TIMERS; i++)
        if (e->due_ns[i] < e->due_ns[first])
            first = i;
    return first;
}

/* All timers due up to `until`, each at its own instant, so that a late loop changes nothing. */
static void run_timers(struct engine *e, int64_t until)
{
    for (;;) {
        int timer = earliest_timer(e);
        int64_t due = e->due_ns[timer];
        if (due > until)
            break;
        if (due > e->now_ns)
            e->now_ns = due;
        run_timer(e, timer);
    }
    if (until > e->now_ns)
        e->now_ns = until;
}

static void tell_wake(struct engine *e)
{
    int64_t due = e->due_ns[earliest_timer(e)];
    if (due == e->told_wake_ns)
        return;
    e->told_wake_ns = due;
    if (due != NEVER)
        e->sink.wake(e->sink.ctx, (mono_ns){due});
}

/* ---- inputs ---- */

static void with_fields(struct engine *e, enum input_kind kind, int source, const struct fields *fields)
{
    int64_t seq = 0;
    switch (kind) {
    case INPUT_PAD_DOWN:
        engine_pad_down(e, source, fields);
        break;
    case INPUT_FEED_UP:
    case INPUT_FEED_DOWN:
        engine_feed_up(e, source, kind == INPUT_FEED_UP, fields);
        break;
    case INPUT_UTC:
        engine_utc(e, fields);
        break;
    case INPUT_AUDIO:
        engine_audio(e, fields);
        break;
    case INPUT_LTC:
        engine_ltc(e, fields);
        break;
    case INPUT_COMMAND:
        engine_command(e, fields);
        break;
    case INPUT_COMMITTED:
        if (fields_int(fields, "seq", &seq))
            engine_answer_committed(e, seq);
        break;
    case INPUT_STORE:
        store_state(e, fields);
        break;
    case INPUT_RESTORE:
        engine_restore(e, fields);
        break;
    default:
        break;
    }
}

static bool source_is_sound(const struct engine *e, enum input_kind kind, int source)
{
    if (kind == INPUT_PAD || kind == INPUT_PAD_UP || kind == INPUT_PAD_DOWN)
        return source >= 0 && source < (int)e->config.pad_count;
    if (kind == INPUT_FEED || kind == INPUT_FEED_UP || kind == INPUT_FEED_DOWN)
        return source >= 0 && source < (int)e->config.feed_count;
    return true;
}

void engine_input(struct engine *e, enum input_kind kind, int source, mono_ns now, const void *bytes,
                  size_t len)
{
    if (!e->started)
        e->started_ns = now.ns;
    e->started = true;
    run_timers(e, now.ns);
    struct fields fields = {.count = 0};
    if (!source_is_sound(e, kind, source)) {
        engine_log(e, ENGINE_LOG_ERROR,
                   "input from a source that is not configured (kind %d, number %d): dropped", (int)kind,
                   source);
    } else if (kind == INPUT_PAD) {
        engine_pad_bytes(e, source, bytes, len);
    } else if (kind == INPUT_PAD_UP) {
        engine_pad_up(e, source);
    } else if (kind == INPUT_FEED) {
        engine_feed_bytes(e, source, bytes, len);
    } else if (kind != INPUT_TICK) {
        if (fields_parse(&fields, bytes, len))
            with_fields(e, kind, source, &fields);
        else
            engine_log(e, ENGINE_LOG_ERROR, "an input record cannot be read (kind %d, %zu bytes): dropped",
                       (int)kind, len);
    }
    /* A timer set for now or earlier by this input runs at once. */
    run_timers(e, e->now_ns);
    tell_wake(e);
}

void engine_plan(struct engine *e, int pad, mono_ns now, const struct keyplan *plan)
{
    if (pad < 0 || pad >= (int)e->config.pad_count)
        return;
    run_timers(e, now.ns);
    e->pad[pad].plan = *plan;
    e->pad[pad].has_plan = true;
    tell_wake(e);
}

const char *engine_dive(const struct engine *e)
{
    return e->dive.open ? e->dive.id : "";
}

const char *engine_dive_in_hand(const struct engine *e)
{
    return e->dive.id;
}

/* ---- making one ---- */

static void init_pads(struct engine *e)
{
    for (size_t i = 0; i < e->config.pad_count; i++) {
        struct pad_link *pad = &e->pad[i];
        pad->boot = -1;
        pad->seat = engine_seat(e, e->config.pad[i].seat);
        wire_decoder_init(&pad->decoder);
    }
}

static void init_feeds(struct engine *e)
{
    channel_set_init(e->channels);
    for (size_t i = 0; i < e->config.feed_count; i++) {
        const struct engine_feed_config *feed = &e->config.feed[i];
        channel_feed_declare(e->channels, (uint8_t)i, (uint8_t)i, feed->stale_ns, feed->latency_ns);
    }
    struct track_options options;
    track_options_default(&options);
    track_init(&e->track, &options);
}

static bool init(struct engine *e)
{
    e->channels = calloc(1, sizeof *e->channels);
    size_t watch_size = watchlog_size(WATCH_FACTS_MAX);
    e->watch_memory = calloc(1, watch_size);
    if (e->channels == NULL || e->watch_memory == NULL)
        return false;
    e->watch = watchlog_init(e->watch_memory, watch_size, WATCH_FACTS_MAX);
    if (e->watch == NULL || engine_time_init(e) != 0)
        return false;
    if (e->config.settle_ns <= 0)
        e->config.settle_ns = 5 * NS_PER_S;
    watchlog_set_idle(e->watch, e->config.idle_close_ns > 0 ? e->config.idle_close_ns : 15 * 60 * NS_PER_S);
    watchlog_set_planned_bottom(e->watch, e->config.planned_bottom_ns);
    for (int i = 0; i < TIMERS; i++)
        e->due_ns[i] = NEVER;
    e->told_wake_ns = NEVER;
    engine_seat(e, "science");
    engine_seat(e, "nav");
    init_pads(e);
    init_feeds(e);
    return true;
}

struct engine *engine_new(const struct engine_config *config, const struct engine_sink *sink)
{
    struct engine *e = calloc(1, sizeof *e);
    if (e == NULL)
        return NULL;
    e->config = *config;
    e->sink = engine_sink_whole(sink);
    if (!init(e)) {
        engine_free(e);
        return NULL;
    }
    return e;
}

void engine_free(struct engine *e)
{
    if (e == NULL)
        return;
    free(e->channels);
    free(e->watch_memory);
    free(e);
}
