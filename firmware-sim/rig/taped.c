#include "taped.h"

#include "bellrope/version.h"
#include "core/fields.h"
#include "io/config.h"
#include "io/keyplan_file.h"
#include "io/player.h"
#include "io/tape.h"
#include "rig.h"
#include "truth.h"

#include <errno.h>
#include <ltc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum {
    COMMIT_NS = 400000,
    SLICE_NS = 5000000,
    UTC_EVERY_NS = 1000000000,
    PORTION = RECORDER_HZ / 25,
    OUT_MAX = 4096,
    WORDS = 16
};

static const int64_t START_NS = INT64_C(1000000000000);
static const int64_t START_UTC_NS = INT64_C(1930366800000000000); /* 2031-03-04T05:00:00Z */

struct taped {
    const struct script *script;
    const struct taped_options *options;
    struct config config;
    struct tape_writer *tape;
    struct player *player;
    struct engine_sink engine_sink;
    struct rig_sink rig_sink;
    struct rig *rig;
    struct truth truth;
    int64_t now_ns; /* of the last input */
    int64_t wake_ns, utc_ns;
    int64_t commit_seq, commit_ns; /* submitted up to; on disk when; commit_ns INT64_MAX: nothing under way */
    bool broken;

    int pad_source[SCRIPT_PADS_MAX],
        source_pad[ENGINE_PADS_MAX]; /* script's pads and the configuration's; -1: none */
    int feed_source[SCRIPT_FEEDS];
    uint8_t out[SCRIPT_PADS_MAX][OUT_MAX]; /* the engine's bytes for the pads */
    size_t out_count[SCRIPT_PADS_MAX];

    LTCDecoder *decoder;
    int64_t samples; /* of this stream */
    short portion[PORTION];
    size_t portion_count;
};

/* ---- onto the tape and into the engine ---- */

static void put(struct taped *taped, enum tape_kind kind, int source, int64_t at_ns, const void *bytes,
                size_t len)
{
    if (at_ns > taped->now_ns)
        taped->now_ns = at_ns;
    struct tape_record record = {
        .kind = kind, .source = source, .at = {taped->now_ns}, .bytes = bytes, .len = len};
    tape_write(taped->tape, kind, source, record.at, bytes, len);
    if (player_deliver(taped->player, &record) != 0)
        taped->broken = true;
}

static void put_record(struct taped *taped, enum tape_kind kind, int source, int64_t at_ns,
                       const struct fields_writer *writer)
{
    put(taped, kind, source, at_ns, writer->bytes, writer->len);
}

static void put_op(struct taped *taped, enum tape_kind kind, int source, int64_t at_ns, const char *op)
{
    char record[64];
    struct fields_writer writer;
    fields_begin(&writer, record, sizeof record, op);
    put_record(taped, kind, source, at_ns, &writer);
}

static void put_utc(struct taped *taped, int64_t at_ns)
{
    char record[256];
    struct fields_writer writer;
    fields_begin(&writer, record, sizeof record, "utc");
    fields_put_int(&writer, "before", at_ns - 200);
    fields_put_int(&writer, "utc", at_ns - START_NS + START_UTC_NS - 100);
    fields_put_int(&writer, "after", at_ns);
    fields_put_int(&writer, "synced", 1);
    fields_put_int(&writer, "max_error_us", 900);
    fields_put_int(&writer, "est_error_us", 60);
    fields_put_int(&writer, "leap", 0);
    put_record(taped, TAPE_UTC, 0, at_ns, &writer);
}

static void put_command(struct taped *taped, int64_t at_ns, const char *op, int64_t token, const char *id)
{
    char record[256];
    struct fields_writer writer;
    fields_begin(&writer, record, sizeof record, op);
    fields_put_int(&writer, "token", token);
    if (id)
        fields_put(&writer, "id", id);
    put_record(taped, TAPE_COMMAND, 0, at_ns, &writer);
}

/* ---- the engine's effects ---- */

static void on_commit(void *ctx, const struct entry *entry)
{
    struct taped *taped = ctx;
    taped->commit_seq = entry->seq;
    if (taped->commit_ns == INT64_MAX)
        taped->commit_ns = taped->now_ns + COMMIT_NS;
}

static void on_pad_send(void *ctx, int source, const uint8_t *bytes, size_t len)
{
    struct taped *taped = ctx;
    int pad = source >= 0 && source < ENGINE_PADS_MAX ? taped->source_pad[source] : -1;
    if (pad < 0 || taped->out_count[pad] + len > OUT_MAX)
        return;
    memcpy(taped->out[pad] + taped->out_count[pad], bytes, len);
    taped->out_count[pad] += len;
}

static void on_reply(void *ctx, const struct engine_reply *reply)
{
    struct taped *taped = ctx;
    if (reply->refusal == REFUSED_NOT)
        return;
    fprintf(stderr, "bellrope-rig: the engine refused: %s\n", reply->text);
    taped->broken = true;
}

static void on_wake(void *ctx, mono_ns at)
{
    struct taped *taped = ctx;
    taped->wake_ns = at.ns;
}

static void on_log(void *ctx, enum engine_log_level level, const char *text)
{
    (void)ctx;
    if (level == ENGINE_LOG_ERROR)
        fprintf(stderr, "bellrope-rig: the engine says: %s\n", text);
}

static void on_config_problem(void *ctx, const struct ini_problem *problem)
{
    char text[1024];
    (void)ctx;
    ini_problem_text(problem, text, sizeof text);
    fprintf(stderr, "%s\n", text);
}

/* ---- what the rig puts out ---- */

static void on_pad_bytes(void *ctx, int pad, int64_t now_ns, const uint8_t *bytes, size_t len)
{
    struct taped *taped = ctx;
    if (taped->pad_source[pad] >= 0)
        put(taped, TAPE_PAD, taped->pad_source[pad], now_ns, bytes, len);
}

static void on_pad_plug(void *ctx, int pad, int64_t now_ns, bool plugged)
{
    struct taped *taped = ctx;
    taped->out_count[pad] = 0;
    if (taped->pad_source[pad] >= 0)
        put_op(taped, plugged ? TAPE_PAD_UP : TAPE_PAD_DOWN, taped->pad_source[pad], now_ns,
               plugged ? "up" : "down");
}

static void on_feed(void *ctx, enum script_feed feed, int64_t now_ns, const char *bytes, size_t len)
{
    struct taped *taped = ctx;
    if (taped->feed_source[feed] >= 0)
        put(taped, TAPE_FEED, taped->feed_source[feed], now_ns, bytes, len);
}

static void put_word(struct taped *taped, int64_t now_ns, const LTCFrameExt *frame)
{
    uint8_t packed[10];
    char word[21];
    char record[160];
    struct fields_writer writer;
    memcpy(packed, &frame->ltc, sizeof packed);
    for (size_t i = 0; i < sizeof packed; i++)
        snprintf(word + 2 * i, 3, "%02x", packed[i]);
    fields_begin(&writer, record, sizeof record, "ltc");
    fields_put(&writer, "word", word);
    fields_put_int(&writer, "start", frame->off_start);
    fields_put_int(&writer, "end", frame->off_end);
    fields_put_int(&writer, "reverse", frame->reverse != 0);
    put_record(taped, TAPE_LTC, 0, now_ns, &writer);
}

static void hear_portion(struct taped *taped, int64_t now_ns)
{
    char record[64];
    struct fields_writer writer;
    LTCFrameExt frame;
    ltc_decoder_write_s16(taped->decoder, taped->portion, taped->portion_count, taped->samples);
    taped->samples += (int64_t)taped->portion_count;
    taped->portion_count = 0;
    fields_begin(&writer, record, sizeof record, "audio");
    fields_put_int(&writer, "end", taped->samples);
    put_record(taped, TAPE_AUDIO, 0, now_ns, &writer);
    while (ltc_decoder_read(taped->decoder, &frame) == 1)
        put_word(taped, now_ns, &frame);
}

static void on_audio(void *ctx, int64_t now_ns, const int16_t *samples, size_t count)
{
    struct taped *taped = ctx;
    for (size_t i = 0; i < count && taped->decoder; i++) {
        taped->portion[taped->portion_count++] = samples[i];
        if (taped->portion_count == PORTION)
            hear_portion(taped, now_ns);
    }
}

static void on_recorder(void *ctx, int64_t now_ns, bool running)
{
    struct taped *taped = ctx;
    if (taped->decoder) {
        ltc_decoder_free(taped->decoder);
        taped->decoder = NULL;
        char record[128];
        struct fields_writer writer;
        fields_begin(&writer, record, sizeof record, "audio");
        fields_put(&writer, "why", "the writer closed the fifo");
        put_record(taped, TAPE_AUDIO, 0, now_ns, &writer);
    }
    taped->samples = 0;
    taped->portion_count = 0;
    if (running && taped->config.engine.timecode_from_ltc)
        taped->decoder = ltc_decoder_create(
            RECORDER_HZ / timecode_nominal_fps(timecode_word_rate(taped->script->recorder.rate)), WORDS);
}

static void on_say(void *ctx, int64_t now_ns, const char *text)
{
    (void)ctx;
    (void)now_ns;
    (void)text;
}

static void on_press(void *ctx, int64_t now_ns, const struct rig_press *press, int news)
{
    struct taped *taped = ctx;
    truth_press(&taped->truth, now_ns, press, (enum rig_news)news);
}

static void on_event(void *ctx, int64_t now_ns, const char *what, int pad, uint32_t boot, const char *text)
{
    struct taped *taped = ctx;
    truth_event(&taped->truth, now_ns, what, pad, boot, text);
}

/* ---- time ---- */

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static void send_to_pads(struct taped *taped, int64_t now_ns)
{
    for (int pad = 0; pad < taped->script->pad_count; pad++) {
        size_t n = taped->out_count[pad];
        uint8_t bytes[OUT_MAX];
        if (n == 0)
            continue;
        memcpy(bytes, taped->out[pad], n);
        taped->out_count[pad] = 0;
        rig_pad_bytes(taped->rig, pad, now_ns, bytes, n);
    }
}

static void on_disk(struct taped *taped, int64_t now_ns)
{
    char record[64];
    struct fields_writer writer;
    int64_t seq = taped->commit_seq;
    taped->commit_ns = INT64_MAX;
    fields_begin(&writer, record, sizeof record, "committed");
    fields_put_int(&writer, "seq", seq);
    put_record(taped, TAPE_COMMITTED, 0, now_ns, &writer);
}

/* One step: up to whatever is due first. */
static void step(struct taped *taped, int64_t *clock_ns)
{
    int64_t to_ns = *clock_ns + SLICE_NS;
    to_ns = least(to_ns, least(taped->wake_ns, least(taped->commit_ns, taped->utc_ns)));
    if (to_ns < *clock_ns)
        to_ns = *clock_ns;
    rig_advance(taped->rig, to_ns);
    if (taped->commit_ns <= to_ns)
        on_disk(taped, to_ns);
    if (taped->wake_ns <= to_ns) {
        taped->wake_ns = INT64_MAX;
        put(taped, TAPE_TICK, 0, to_ns, "", 0);
    }
    if (taped->utc_ns <= to_ns) {
        put_utc(taped, to_ns);
        taped->utc_ns += UTC_EVERY_NS;
    }
    send_to_pads(taped, to_ns);
    *clock_ns = to_ns;
}

static void play(struct taped *taped)
{
    int64_t clock_ns = START_NS;
    int64_t end_ns = START_NS + taped->options->length_ns;
    while (!taped->broken && (!rig_done(taped->rig) || clock_ns < end_ns))
        step(taped, &clock_ns);
    /* what was pressed last has time to settle */
    for (int64_t last_ns = clock_ns + taped->config.engine.settle_ns + 6000000000;
         clock_ns < last_ns && !taped->broken;)
        step(taped, &clock_ns);
    if (taped->config.dive_id[0] && !taped->broken)
        put_command(taped, clock_ns, "dive.end", 2, NULL);
    for (int64_t last_ns = clock_ns + 1000000000; clock_ns < last_ns && !taped->broken;)
        step(taped, &clock_ns);
}

/* ---- beginning and end ---- */

static bool complain(const char *what, const char *why)
{
    fprintf(stderr, "bellrope-rig: %s: %s\n", what, why);
    return false;
}

static void match_names(struct taped *taped)
{
    for (int i = 0; i < ENGINE_PADS_MAX; i++)
        taped->source_pad[i] = -1;
    for (int pad = 0; pad < taped->script->pad_count; pad++) {
        taped->pad_source[pad] = -1;
        for (size_t i = 0; i < taped->config.engine.pad_count; i++)
            if (strcmp(taped->config.engine.pad[i].name, taped->script->pad[pad].name) == 0) {
                taped->pad_source[pad] = (int)i;
                taped->source_pad[i] = pad;
            }
    }
    for (int feed = 0; feed < SCRIPT_FEEDS; feed++) {
        taped->feed_source[feed] = -1;
        for (size_t i = 0; i < taped->config.engine.feed_count; i++)
            if (taped->config.feed[i].input == CONFIG_INPUT_UDP &&
                taped->config.feed[i].port == taped->script->feed[feed].port)
                taped->feed_source[feed] = (int)i;
    }
}

static bool put_plans(struct taped *taped)
{
    const struct ini_text_report report = {on_config_problem, NULL};
    struct keyplan *plan = calloc(1, sizeof *plan);
    bool sound = plan != NULL;
    for (size_t i = 0; sound && i < taped->config.engine.pad_count; i++) {
        char *text = NULL;
        size_t len = 0;
        sound = keyplan_file_load(plan, taped->config.pad[i].plan, &text, &len, &report) == 0;
        if (sound)
            put(taped, TAPE_PLAN, (int)i, START_NS, text, len);
        free(text);
    }
    free(plan);
    return sound;
}

static void put_beginning(struct taped *taped)
{
    char record[128];
    struct fields_writer writer;
    fields_begin(&writer, record, sizeof record, "begin");
    fields_put(&writer, "boot", "00000000-0000-4000-8000-000000000001");
    fields_put(&writer, "program", BELLROPE_VERSION);
    fields_put_int(&writer, "utc", START_UTC_NS);
    put_record(taped, TAPE_BEGIN, 0, START_NS, &writer);
}

static bool begin(struct taped *taped)
{
    const struct ini_text_report report = {on_config_problem, NULL};
    const struct player_sink sink = {&taped->engine_sink, NULL, on_config_problem, NULL};
    char error[256];
    char *text = NULL;
    size_t len = 0;
    bool sound = config_load(&taped->config, taped->options->config, &text, &len, &report) == 0;
    (void)unlink(taped->options->tape);
    taped->tape = sound ? tape_open(taped->options->tape, error, sizeof error) : NULL;
    if (sound && !taped->tape)
        sound = complain(taped->options->tape, error);
    taped->player = sound ? player_new(&sink, PLAYER_LIVE) : NULL;
    if (taped->player) {
        match_names(taped);
        put_beginning(taped);
        put(taped, TAPE_CONFIG, 0, START_NS, text, len);
        sound = put_plans(taped) && !taped->broken;
    }
    free(text);
    return sound && taped->player;
}

static void begin_inputs(struct taped *taped)
{
    put_op(taped, TAPE_RESTORE, 0, START_NS, "restore.end");
    put_utc(taped, START_NS);
    taped->utc_ns = START_NS + UTC_EVERY_NS;
    for (int feed = 0; feed < SCRIPT_FEEDS; feed++)
        if (taped->feed_source[feed] >= 0)
            put_op(taped, TAPE_FEED_UP, taped->feed_source[feed], START_NS, "up");
    if (taped->config.dive_id[0])
        put_command(taped, START_NS, "dive.begin", 1, taped->config.dive_id);
}

static bool begin_rig(struct taped *taped)
{
    taped->rig = rig_new(taped->script, NULL, START_NS, START_UTC_NS - START_NS, &taped->rig_sink);
    if (!taped->rig)
        return complain("memory", strerror(errno));
    rig_set_slice(taped->rig, SLICE_NS);
    if (!truth_open(&taped->truth, taped->options->truth, taped->script))
        return complain(taped->options->truth, strerror(errno));
    truth_begin(&taped->truth, START_NS, START_UTC_NS);
    begin_inputs(taped);
    rig_begin(taped->rig);
    return true;
}

static int end(struct taped *taped)
{
    struct rig_count count;
    put(taped, TAPE_END, 0, taped->now_ns, "op=end", 6);
    truth_end(&taped->truth, taped->rig, taped->now_ns, 0);
    rig_count(taped->rig, -1, &count);
    printf("%s: %.2f hours, %d presses, %d kept\n", taped->options->tape,
           (double)(taped->now_ns - START_NS) / 3.6e12, count.made, count.kept);
    return count.kept + count.gone == count.made && !taped->broken ? 0 : 1;
}

static int finish(struct taped *taped, int result)
{
    if (!truth_close(&taped->truth)) {
        complain(taped->options->truth, "not all of the truth could be written");
        result = 2;
    }
    if (taped->tape && tape_close(taped->tape) != 0) {
        complain(taped->options->tape, "not all of the tape could be written");
        result = 2;
    }
    if (taped->decoder)
        ltc_decoder_free(taped->decoder);
    rig_free(taped->rig);
    player_free(taped->player);
    free(taped);
    return result;
}

int taped_run(const struct script *script, const struct taped_options *options)
{
    struct taped *taped = calloc(1, sizeof *taped);
    if (!taped)
        return 2;
    taped->script = script;
    taped->options = options;
    taped->now_ns = START_NS;
    taped->wake_ns = taped->commit_ns = INT64_MAX;
    taped->engine_sink = (struct engine_sink){.ctx = taped,
                                              .commit = on_commit,
                                              .pad_send = on_pad_send,
                                              .reply = on_reply,
                                              .wake = on_wake,
                                              .log = on_log};
    taped->rig_sink = (struct rig_sink){taped,       on_pad_bytes, on_pad_plug, on_feed, on_audio,
                                        on_recorder, on_say,       on_press,    on_event};
    if (!begin(taped) || !begin_rig(taped))
        return finish(taped, 2);
    play(taped);
    return finish(taped, end(taped));
}
