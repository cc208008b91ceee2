/*
 * The whole engine at the end of lines that carry anything: restored state, commands, clocks, timecode, telemetry, pads.
 *
 * The input is a run of steps: one byte kind, one byte time, one byte length, then so many bytes. In records '|' stands for the separator of
 * fields. Bytes of a pad are wire bodies (type and payload) to which this harness adds crc and framing, or raw bytes. One step in the
 * table of kinds commits all there is, as the store would.
 *
 * Whatever comes: entries are numbered without a gap and read as JSON, nothing is published that was not committed, no command is answered
 * twice, frames to pads are sound, timers move on.
 */
#include "bellrope/wire.h"
#include "core/engine.h"
#include "core/event.h"
#include "core/fields.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { START_S = 1000, STEPS_MAX = 200, TICKS_MAX = 500 };

static struct {
    struct engine *engine;
    int64_t now_ns, wake_ns;
    int ticks;
    int64_t seq, published;
    bool seq_known;
    bool restored;
    struct wire_decoder decoder;
} run;

static void must(bool holds)
{
    if (!holds)
        abort();
}

/* ---- sink ---- */

static void on_commit(void *ctx, const struct entry *entry)
{
    static char text[EVENT_BYTES_MAX];
    (void)ctx;
    must(!run.seq_known || entry->seq == run.seq + 1);
    run.seq = entry->seq;
    run.seq_known = true;
    size_t len = event_json(entry, text, sizeof text);
    must(len > 2 && len < sizeof text && text[0] == '{' && text[len - 1] == '}');
    for (size_t i = 0; i < len; i++)
        must((unsigned char)text[i] >= 0x20);
}

static void on_publish(void *ctx, int64_t seq_to)
{
    (void)ctx;
    must(seq_to > run.published && seq_to <= run.seq);
    run.published = seq_to;
}

static void on_message(void *ctx, const struct wire_message *message)
{
    (void)ctx;
    must(message->type >= WIRE_ASK_HELLO);
}

static void on_pad_send(void *ctx, int pad, const uint8_t *bytes, size_t len)
{
    (void)ctx;
    uint32_t good = run.decoder.counters.good;
    must(pad == 0);
    wire_decoder_feed(&run.decoder, bytes, len, on_message, NULL);
    must(run.decoder.counters.good > good);
}

static void on_sample(void *ctx, const struct engine_sample *sample)
{
    (void)ctx;
    must(sample->channel[0] != '\0' && sample->feed[0] != '\0');
}

static void on_observe(void *ctx, const struct engine_observation *observation)
{
    (void)ctx;
    must(observation->clock[0] != '\0' && observation->lo <= observation->hi);
}

static void on_reply(void *ctx, const struct engine_reply *reply)
{
    (void)ctx;
    must(memchr(reply->text, '\0', sizeof reply->text) != NULL &&
         memchr(reply->ref, '\0', sizeof reply->ref) != NULL);
    must(reply->refusal == REFUSED_NOT || reply->text[0] != '\0');
}

static void on_wake(void *ctx, mono_ns at)
{
    (void)ctx;
    run.wake_ns = at.ns;
}

static void on_log(void *ctx, enum engine_log_level level, const char *text)
{
    (void)ctx;
    must(level <= ENGINE_LOG_ERROR && text[0] != '\0');
}

static void on_lookup(void *ctx, const struct engine_lookup *lookup)
{
    (void)ctx;
    must(memchr(lookup->dive, '\0', sizeof lookup->dive) != NULL && lookup->marker > 0);
}

static void on_status(void *ctx, const struct engine_status_line *line)
{
    (void)ctx;
    must(line->what[0] != '\0' && memchr(line->text, '\0', sizeof line->text) != NULL);
}

/* ---- a ship's configuration ---- */

static const char *const plan_text[][3] = {
    {"key A1", "kind", "subject"},     {"key A1", "label", "Fish"},       {"key A1", "hold.kind", "subject"},
    {"key A1", "hold.label", "Shark"}, {"key A2", "kind", "detail"},      {"key A2", "label", "Feeding"},
    {"key A3", "kind", "relation"},    {"key A3", "label", "Tied to"},    {"key A4", "kind", "span"},
    {"key A4", "label", "Transect"},   {"key B1", "kind", "sample"},      {"key B1", "label", "Suction"},
    {"key B1", "container", "S1"},     {"container S1", "capacity", "2"}, {"key B2", "kind", "done"},
    {"key B2", "label", "Done"},       {"key B3", "kind", "strike"},      {"key B3", "label", "Strike"},
    {"key B4", "kind", "phase"},       {"key B4", "label", "On bottom"},  {"key B4", "phase", "on bottom"},
};

static void make_plan(struct keyplan *plan)
{
    struct keyplan_error error;
    struct keyplan_error errors[4];
    char text[512];
    keyplan_begin(plan);
    for (size_t i = 0; i < sizeof plan_text / sizeof plan_text[0]; i++)
        if (!keyplan_set(plan, plan_text[i][0], plan_text[i][1], plan_text[i][2], (uint32_t)i, &error)) {
            keyplan_error_text(&error, "plan", text, sizeof text);
            fprintf(stderr, "%s\n", text);
            abort();
        }
    must(keyplan_finish(plan, errors, 4) == 0);
}

static struct engine_config make_config(uint8_t choice)
{
    struct engine_config config = {.pad_count = 1, .feed_count = 2, .utc_feed = (choice & 1) != 0 ? 0 : -1};
    char error[COLUMNS_ERROR_MAX];
    strcpy(config.pad[0].name, "pad");
    strcpy(config.pad[0].seat, "science");
    config.pad[0].baud = 115200;
    config.pad[0].is_evdev = (choice & 4) != 0;
    strcpy(config.feed[0].name, "bridge");
    config.feed[0].format = FEED_NMEA;
    config.feed[0].subject = (choice & 8) != 0 ? FEED_AS_VEHICLE : FEED_AS_SHIP;
    config.feed[0].stale_ns = 5 * NS_PER_S;
    config.feed[0].checksum_optional = true;
    strcpy(config.feed[1].name, "ctd");
    config.feed[1].format = FEED_COLUMNS;
    config.feed[1].stale_ns = 5 * NS_PER_S;
    config.feed[1].datagrams = true;
    must(columns_set_column(&config.feed[1].columns, &config.names, "1", "vehicle.depth_m", error));
    must(columns_set_column(&config.feed[1].columns, &config.names, "2", "water.temperature_C", error));
    must(columns_set_column(&config.feed[1].columns, &config.names, "3", "x.turbidity", error));
    config.utc_delay_max_ns = NS_PER_S;
    config.idle_close_ns = 60 * NS_PER_S;
    config.timecode_from_ltc = (choice & 2) != 0;
    config.rate = TC_RATE_25;
    config.audio_sample_rate_hz = 48000;
    config.audio_latency_max_ns = 100 * NS_PER_MS;
    return config;
}

/* ---- steps ---- */

static void tick_until(int64_t until_ns)
{
    for (; run.ticks < TICKS_MAX && run.wake_ns <= until_ns; run.ticks++) {
        int64_t at = run.wake_ns;
        if (at > run.now_ns)
            run.now_ns = at;
        run.wake_ns = INT64_MAX;
        engine_input(run.engine, INPUT_TICK, 0, (mono_ns){run.now_ns}, NULL, 0);
    }
    run.now_ns = until_ns;
}

static void give(enum input_kind kind, int source, const uint8_t *bytes, size_t len)
{
    char *exact = malloc(len > 0 ? len : 1);
    must(exact != NULL);
    memcpy(exact, bytes, len);
    if (kind != INPUT_PAD && kind != INPUT_FEED)
        for (size_t i = 0; i < len; i++)
            if (exact[i] == '|')
                exact[i] = FIELDS_SEPARATOR;
    engine_input(run.engine, kind, source, (mono_ns){run.now_ns}, exact, len);
    free(exact);
}

static void give_body(const uint8_t *body, size_t len)
{
    uint8_t frame[WIRE_FRAME_MAX + 4], checked[WIRE_BODY_MAX + 2];
    if (len > WIRE_BODY_MAX - 2)
        len = WIRE_BODY_MAX - 2;
    memcpy(checked, body, len);
    uint16_t crc = wire_crc(WIRE_CRC_INIT, checked, len);
    checked[len] = (uint8_t)crc;
    checked[len + 1] = (uint8_t)(crc >> 8);
    frame[0] = 0;
    int n = wire_cobs_encode(checked, len + 2, frame + 1, sizeof frame - 2);
    must(n > 0);
    frame[n + 1] = 0;
    give(INPUT_PAD, 0, frame, (size_t)n + 2);
}

static void commit(int64_t seq)
{
    char text[64];
    struct fields_writer record;
    fields_begin(&record, text, sizeof text, "committed");
    fields_put_int(&record, "seq", seq);
    engine_input(run.engine, INPUT_COMMITTED, 0, (mono_ns){run.now_ns}, record.bytes, record.len);
}

/* State is restored before anything else, never later. */
static void step(uint8_t kind, const uint8_t *bytes, size_t len)
{
    static const enum input_kind records[] = {INPUT_UTC,      INPUT_AUDIO,    INPUT_LTC,   INPUT_COMMAND,
                                              INPUT_COMMAND,  INPUT_FEED_UP,  INPUT_STORE, INPUT_PAD_UP,
                                              INPUT_PAD_DOWN, INPUT_FEED_DOWN};
    enum { RECORDS = sizeof records / sizeof records[0] };
    unsigned what = kind % (RECORDS + 6);
    if (what == RECORDS) {
        if (!run.restored)
            give(INPUT_RESTORE, 0, bytes, len);
        return;
    }
    run.restored = true;
    if (what < RECORDS)
        give(records[what], 0, bytes, len);
    else if (what == RECORDS + 1)
        give_body(bytes, len);
    else if (what == RECORDS + 2)
        give(INPUT_PAD, 0, bytes, len);
    else if (what == RECORDS + 3)
        give(INPUT_FEED, 0, bytes, len);
    else if (what == RECORDS + 4)
        give(INPUT_FEED, 1, bytes, len);
    else
        commit(run.seq);
}

/* 0 to 4 s in odd steps, now and then two minutes. */
static int64_t passed_ns(uint8_t time)
{
    return time == 255 ? 120 * NS_PER_S : (int64_t)time * time * 62 * NS_PER_US;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct keyplan plan;
    static const struct engine_sink sink = {.commit = on_commit,
                                            .publish = on_publish,
                                            .pad_send = on_pad_send,
                                            .sample = on_sample,
                                            .observe = on_observe,
                                            .reply = on_reply,
                                            .wake = on_wake,
                                            .log = on_log,
                                            .lookup = on_lookup};
    if (size < 1)
        return 0;
    if (plan.def_count == 0)
        make_plan(&plan);
    memset(&run, 0, sizeof run);
    wire_decoder_init(&run.decoder);
    run.now_ns = START_S * NS_PER_S;
    run.wake_ns = INT64_MAX;
    struct engine_config config = make_config(data[0]);
    run.engine = engine_new(&config, &sink);
    must(run.engine != NULL);
    engine_plan(run.engine, 0, (mono_ns){run.now_ns}, &plan);
    size_t at = 1;
    for (int i = 0; i < STEPS_MAX && at + 3 <= size; i++) {
        size_t len = data[at + 2];
        if (len > size - at - 3)
            len = size - at - 3;
        tick_until(run.now_ns + passed_ns(data[at + 1]));
        step(data[at], data + at + 3, len);
        at += 3 + len;
    }
    tick_until(run.now_ns + 20 * NS_PER_S);
    if (run.seq_known)
        commit(run.seq);
    engine_status(run.engine, (mono_ns){run.now_ns}, on_status, NULL);
    engine_free(run.engine);
    return 0;
}
