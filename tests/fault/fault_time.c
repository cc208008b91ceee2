/*
 * Clocks that misbehave, under a simulated clock: the daemon's engine with two pads of real firmware, and a system clock or a GNSS receiver that is
 * stepped, slewed, suspended, a day or 1,024 weeks off, or passes a leap second, while keys are pressed.
 *
 * Held against the truth for each press: one marker; its monotonic instant inside its bound; and where a bound of UTC is claimed, UTC inside it, by the
 * scale of its source before the fault or after it, because no machine can know which of two honest-looking clocks is right. What happened must be told
 * in the journal. (Leap seconds: POSIX time repeats or skips a second at the end of a UTC month; ITU-R TF.460, from memory. GPS weeks count modulo 1,024:
 * IS-GPS-200, from memory.)
 */
#include "campaign.h"
#include "core/fields.h"
#include "io/config.h"
#include "io/keyplan_file.h"
#include "rig.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define S INT64_C(1000000000)
#define MS INT64_C(1000000)
#define START_NS (1000 * S)
#define MIDNIGHT_NS (40 * S)                                 /* after the start: the end of June */
#define START_UTC_NS (INT64_C(1940630400) * S - MIDNIGHT_NS) /* 2031-06-30T23:59:20Z */
#define LENGTH_NS (120 * S)
#define HOUR_NS (3600 * S)
#define DAY_NS (86400 * S)
#define WEEKS_NS (1024 * 7 * DAY_NS)

enum { COMMIT_NS = 400000, SLICE_NS = 5000000, OUT_MAX = 8192, PRESSES_MAX = 4096, PADS = 2 };

/* `t` is the time since the start. */
struct scenario {
    const char *name;
    int64_t (*system_off_ns)(int64_t t); /* system clock less true UTC (without leap seconds) */
    bool (*synced)(int64_t t);
    int (*leap)(int64_t t);
    int64_t (*receiver_off_ns)(int64_t t); /* the receiver less true UTC */
    int64_t max_error_ns;
    int64_t other_off_ns; /* a second scale by which UTC may be right: this much off */
    int64_t asleep_from, asleep_to;
    const char *told; /* state of a notice about "utc" that must come; NULL: none may */
    bool gnss;        /* UTC from the ship's receiver */
    bool only_true;   /* in the end every press must be right by true UTC, and have a bound */
};

/* ---- the clocks ---- */

static int64_t zero(int64_t t)
{
    (void)t;
    return 0;
}

static bool always(int64_t t)
{
    (void)t;
    return true;
}

static int none(int64_t t)
{
    (void)t;
    return 0;
}

static int64_t hour_on(int64_t t)
{
    return t < 60 * S ? 0 : HOUR_NS;
}

static int64_t hour_back(int64_t t)
{
    return t < 60 * S ? 0 : -HOUR_NS;
}

static int64_t hour_off_until_synced(int64_t t)
{
    return t < 60 * S ? HOUR_NS : 0;
}

static bool late(int64_t t)
{
    return t >= 60 * S;
}

/* POSIX time goes back by one second when the inserted second begins. */
static int64_t leap_inserted(int64_t t)
{
    return t < MIDNIGHT_NS ? 0 : -S;
}

static int leap_announced(int64_t t)
{
    return t < MIDNIGHT_NS ? 1 : t < MIDNIGHT_NS + S ? 3 : 0;
}

static int64_t leap_deleted(int64_t t)
{
    return t < MIDNIGHT_NS - S ? 0 : S;
}

static int deletion_announced(int64_t t)
{
    return t < MIDNIGHT_NS - S ? 2 : 0;
}

/* 30 ms are taken off at 500 ppm, the most that the kernel's clock discipline does. */
static int64_t slewed(int64_t t)
{
    if (t < 30 * S)
        return 30 * MS;
    return t < 90 * S ? 30 * MS - (t - 30 * S) / 2000 : 0;
}

static int64_t day_off_for_a_while(int64_t t)
{
    return t >= 50 * S && t < 70 * S ? DAY_NS : 0;
}

static int64_t day_off_twice(int64_t t)
{
    return t >= 50 * S && t < 52 * S ? DAY_NS : 0;
}

static int64_t weeks_lost(int64_t t)
{
    return t < 60 * S ? 0 : -WEEKS_NS;
}

static int64_t day_off(int64_t t)
{
    (void)t;
    return DAY_NS;
}

static const struct scenario scenarios[] = {
    {"system clock stepped by +1 h", hour_on, always, none, zero, MS, HOUR_NS, 0, 0, "stepped", false, false},
    {"system clock stepped by -1 h", hour_back, always, none, zero, MS, -HOUR_NS, 0, 0, "stepped", false,
     false},
    {"clock 1 h off, then synchronised", hour_off_until_synced, late, none, zero, MS, 0, 0, 0, "synced",
     false, true},
    {"leap second inserted, announced", leap_inserted, always, leap_announced, zero, MS, -S, 0, 0, "leap",
     false, false},
    {"leap second deleted, announced", leap_deleted, always, deletion_announced, zero, MS, S, 0, 0, "leap",
     false, false},
    {"leap second inserted, receiver, unannounced", zero, always, none, leap_inserted, MS, -S, 0, 0, "leap",
     true, false},
    {"NTP slews by 500 ppm", slewed, always, none, zero, 40 * MS, 0, 0, 0, NULL, false, true},
    {"machine suspended for 10 min", zero, always, none, zero, MS, 0, 80 * S, 680 * S, NULL, false, true},
    {"receiver a day off for 20 s", zero, always, none, day_off_for_a_while, MS, DAY_NS, 0, 0, "stepped",
     true, false},
    {"receiver a day off for 2 s", zero, always, none, day_off_twice, MS, 0, 0, 0, NULL, true, true},
    {"receiver loses 1,024 weeks", zero, always, none, weeks_lost, MS, -WEEKS_NS, 0, 0, "stepped", true,
     false},
    {"telemetry feed a day off", zero, always, none, day_off, MS, 0, 0, 0, NULL, false, true},
};
enum { SCENARIOS = sizeof scenarios / sizeof scenarios[0] };

/* ---- the bench ---- */

/* A press, and what the record says of it. */
struct stamped {
    bool touched;
    int64_t at_ns;
    uint32_t boot, seq;
    uint8_t result;
    bool kept;
    int markers;
    int64_t number; /* of its marker */
    struct when when;
};

struct bench {
    struct campaign *campaign;
    const struct scenario *scenario;
    struct config config;
    struct engine *engine;
    struct engine_sink sink;
    struct script script;
    struct rig_sink rig_sink;
    struct rig *rig;
    int64_t now_ns, wake_ns, commit_ns, commit_seq;
    struct stamped press[PRESSES_MAX];
    int presses;
    uint8_t out[PADS][OUT_MAX];
    size_t out_count[PADS];
    int told;                 /* notices of the kind that is expected */
    char surprise[NOTE_SIZE]; /* a notice of a step or a leap where there is none */
    int positions, markers;
};

static void give(struct bench *b, enum input_kind kind, int source, int64_t at_ns, const void *bytes,
                 size_t len)
{
    if (at_ns > b->now_ns)
        b->now_ns = at_ns;
    engine_input(b->engine, kind, source, (mono_ns){b->now_ns}, bytes, len);
}

static void give_record(struct bench *b, enum input_kind kind, int source, int64_t at_ns,
                        const struct fields_writer *record)
{
    give(b, kind, source, at_ns, record->bytes, record->len);
}

static void observe_utc(struct bench *b, int64_t at_ns)
{
    const struct scenario *scenario = b->scenario;
    int64_t t = at_ns - START_NS - 1000; /* of the reading */
    char text[256];
    struct fields_writer record;
    fields_begin(&record, text, sizeof text, "utc");
    fields_put_int(&record, "before", at_ns - 2000);
    fields_put_int(&record, "utc", START_UTC_NS + t + scenario->system_off_ns(t));
    fields_put_int(&record, "after", at_ns);
    fields_put_int(&record, "synced", !scenario->gnss && scenario->synced(t));
    fields_put_int(&record, "max_error_us", scenario->max_error_ns / 1000);
    fields_put_int(&record, "est_error_us", 100);
    fields_put_int(&record, "leap", scenario->leap(t));
    give_record(b, INPUT_UTC, 0, at_ns, &record);
}

/* ---- what the engine does ---- */

static struct stamped *find_marker(struct bench *b, int64_t number)
{
    for (int i = 0; i < b->presses; i++)
        if (b->press[i].markers > 0 && b->press[i].number == number)
            return &b->press[i];
    return NULL;
}

static void on_marker(struct bench *b, const struct marker *marker)
{
    b->markers++;
    b->positions += marker->telemetry.position.known;
    for (int i = 0; i < b->presses; i++) {
        struct stamped *press = &b->press[i];
        if (press->boot != marker->pad_boot || press->seq != marker->pad_seq)
            continue;
        press->markers++;
        press->number = marker->number;
        press->when = marker->when;
        return;
    }
}

static void on_notice(struct bench *b, const struct notice_entry *notice)
{
    bool grave = strcmp(notice->state, "stepped") == 0 || strcmp(notice->state, "leap") == 0;
    if (strcmp(notice->about, "utc") != 0)
        return;
    if (b->scenario->told != NULL && strcmp(notice->state, b->scenario->told) == 0)
        b->told++;
    else if (grave)
        snprintf(b->surprise, sizeof b->surprise, "%.3f s: %s", (double)(b->now_ns - START_NS) / 1e9,
                 notice->text);
}

static void on_commit(void *ctx, const struct entry *entry)
{
    struct bench *b = ctx;
    b->commit_seq = entry->seq;
    if (b->commit_ns == INT64_MAX)
        b->commit_ns = b->now_ns + COMMIT_NS;
    if (entry->type == ENTRY_MARKER)
        on_marker(b, &entry->of.marker);
    if (entry->type == ENTRY_CLOCK)
        on_notice(b, &entry->of.notice);
    if (entry->type == ENTRY_SETTLED) {
        struct stamped *press = find_marker(b, entry->of.settled.marker);
        if (press != NULL)
            press->when = entry->of.settled.when;
    }
}

static void on_pad_send(void *ctx, int pad, const uint8_t *bytes, size_t len)
{
    struct bench *b = ctx;
    if (pad >= PADS || b->out_count[pad] + len > OUT_MAX)
        return;
    memcpy(b->out[pad] + b->out_count[pad], bytes, len);
    b->out_count[pad] += len;
}

static void on_reply(void *ctx, const struct engine_reply *reply)
{
    struct bench *b = ctx;
    if (reply->refusal != REFUSED_NOT)
        campaign_fail(b->campaign, "%s: the engine refused: %s", b->scenario->name, reply->text);
}

static void on_wake(void *ctx, mono_ns at)
{
    ((struct bench *)ctx)->wake_ns = at.ns;
}

/* ---- what the rig does ---- */

static bool is_asleep(const struct bench *b, int64_t at_ns)
{
    int64_t t = at_ns - START_NS;
    return t >= b->scenario->asleep_from && t < b->scenario->asleep_to;
}

static void on_pad_bytes(void *ctx, int pad, int64_t now_ns, const uint8_t *bytes, size_t len)
{
    struct bench *b = ctx;
    if (!is_asleep(b, now_ns))
        give(b, INPUT_PAD, pad, now_ns, bytes, len);
}

static void on_pad_plug(void *ctx, int pad, int64_t now_ns, bool plugged)
{
    give(ctx, plugged ? INPUT_PAD_UP : INPUT_PAD_DOWN, pad, now_ns, plugged ? "op=up" : "op=down",
         plugged ? 5 : 7);
}

static void on_feed(void *ctx, enum script_feed feed, int64_t now_ns, const char *bytes, size_t len)
{
    struct bench *b = ctx;
    if (!is_asleep(b, now_ns))
        give(b, INPUT_FEED, (int)feed, now_ns, bytes, len);
}

static void on_audio(void *ctx, int64_t now_ns, const int16_t *samples, size_t count)
{
    (void)ctx;
    (void)now_ns;
    (void)samples;
    (void)count;
}

static void on_recorder(void *ctx, int64_t now_ns, bool running)
{
    (void)ctx;
    (void)now_ns;
    (void)running;
}

static void on_say(void *ctx, int64_t now_ns, const char *text)
{
    (void)ctx;
    (void)now_ns;
    (void)text;
}

static void on_press(void *ctx, int64_t now_ns, const struct rig_press *press, int news)
{
    struct bench *b = ctx;
    (void)now_ns;
    if (press->number > PRESSES_MAX)
        return;
    if (press->number > b->presses)
        b->presses = press->number;
    struct stamped *one = &b->press[press->number - 1];
    one->touched |= news == RIG_TOUCHED;
    one->at_ns = press->at_ns;
    one->boot = press->boot;
    one->seq = press->seq;
    one->kept |= news == RIG_KEPT;
    one->result = press->result;
}

static void on_event(void *ctx, int64_t now_ns, const char *what, int pad, uint32_t boot, const char *text)
{
    (void)ctx;
    (void)now_ns;
    (void)what;
    (void)pad;
    (void)boot;
    (void)text;
}

/* ---- time goes by ---- */

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static void send_to_pads(struct bench *b, int64_t at_ns)
{
    for (int pad = 0; pad < PADS; pad++) {
        uint8_t bytes[OUT_MAX];
        size_t n = b->out_count[pad];
        memcpy(bytes, b->out[pad], n);
        b->out_count[pad] = 0;
        if (n > 0)
            rig_pad_bytes(b->rig, pad, at_ns, bytes, n);
    }
}

static void committed(struct bench *b, int64_t at_ns)
{
    char text[64];
    struct fields_writer record;
    b->commit_ns = INT64_MAX;
    fields_begin(&record, text, sizeof text, "committed");
    fields_put_int(&record, "seq", b->commit_seq);
    give_record(b, INPUT_COMMITTED, 0, at_ns, &record);
}

static void pass(struct bench *b, int64_t until_ns)
{
    int64_t clock_ns = b->now_ns;
    int64_t observe_ns = clock_ns;
    while (clock_ns < until_ns) {
        int64_t to_ns = least(clock_ns + SLICE_NS, least(least(b->wake_ns, b->commit_ns), observe_ns));
        to_ns = to_ns < clock_ns ? clock_ns : to_ns;
        if (is_asleep(b, to_ns))
            to_ns = START_NS + b->scenario->asleep_to; /* nothing runs but the pads */
        int64_t t = to_ns - START_NS;
        rig_set_utc(b->rig, START_UTC_NS - START_NS + b->scenario->receiver_off_ns(t));
        rig_advance(b->rig, to_ns);
        if (b->commit_ns <= to_ns)
            committed(b, to_ns);
        if (observe_ns <= to_ns) {
            observe_utc(b, to_ns);
            observe_ns = to_ns + S;
        }
        if (b->wake_ns <= to_ns) {
            b->wake_ns = INT64_MAX;
            give(b, INPUT_TICK, 0, to_ns, "", 0);
        }
        send_to_pads(b, to_ns);
        clock_ns = to_ns;
    }
}

/* ---- beginning, end, judgement ---- */

static void on_problem(void *ctx, const struct ini_problem *problem)
{
    char text[512];
    (void)ctx;
    ini_problem_text(problem, text, sizeof text);
    fprintf(stderr, "%s\n", text);
}

static void on_script_problem(void *ctx, int line, const char *text)
{
    (void)ctx;
    fprintf(stderr, "script, line %d: %s\n", line, text);
}

static bool make_engine(struct bench *b)
{
    const struct ini_text_report report = {on_problem, NULL};
    const char *const pairs[] = {"source = system",
                                 b->scenario->gnss
                                     ? "source = feed:bridge\ndelay_min_ms = 100\ndelay_max_ms = 300"
                                     : "source = system",
                                 "@DIR@",
                                 b->campaign->folder,
                                 "@PLANS@",
                                 FAULT_DATA,
                                 "@RATE@",
                                 "25",
                                 "@SOCKET@",
                                 "socket",
                                 "@PORT0@",
                                 "5501",
                                 "@PORT1@",
                                 "5502",
                                 "@PORT2@",
                                 "5503",
                                 "@PORT3@",
                                 "5504",
                                 NULL};
    char *text = campaign_fill(FAULT_DATA "/live.ini", pairs);
    if (text == NULL || config_parse(&b->config, "live.ini", text, strlen(text), &report) != 0) {
        free(text);
        return false;
    }
    free(text);
    b->sink = (struct engine_sink){
        .ctx = b, .commit = on_commit, .pad_send = on_pad_send, .reply = on_reply, .wake = on_wake};
    b->wake_ns = b->commit_ns = INT64_MAX;
    b->now_ns = START_NS;
    b->engine = engine_new(&b->config.engine, &b->sink);
    struct keyplan *plan = calloc(1, sizeof *plan);
    bool good = b->engine != NULL && plan != NULL;
    for (int i = 0; good && i < PADS; i++) {
        char *plan_text = NULL;
        size_t len = 0;
        good = keyplan_file_load(plan, b->config.pad[i].plan, &plan_text, &len, &report) == 0;
        if (good)
            engine_plan(b->engine, i, (mono_ns){START_NS}, plan);
        free(plan_text);
    }
    free(plan);
    return good;
}

static bool make_rig(struct bench *b, uint64_t seed)
{
    char text[1024];
    int64_t asleep_ns = b->scenario->asleep_to - b->scenario->asleep_from;
    int len = snprintf(
        text, sizeof text,
        "seed %" PRIu64 "\n"
        "pad science serial P-01 clock 3100ppm swing 30ppm period 20 batch 1ms turn 2ms begins 4290\n"
        "pad nav serial P-02 clock -4700ppm batch 16ms turn 2ms\n"
        "ship\nacoustic noise 3m outliers 4%%\nvehicle\nctd\n"
        "at 2 random 300 pads science,nav for 100\nat 115 end\n",
        seed);
    if (asleep_ns > 0)
        len += snprintf(text + len, sizeof text - (size_t)len,
                        "at %" PRId64 " random 40 pads science,nav for 30\n", b->scenario->asleep_to / S + 2);
    script_init(&b->script);
    if (script_parse(&b->script, text, (size_t)len, on_script_problem, NULL) != 0)
        return false;
    b->rig_sink = (struct rig_sink){b,           on_pad_bytes, on_pad_plug, on_feed, on_audio,
                                    on_recorder, on_say,       on_press,    on_event};
    b->rig = rig_new(&b->script, NULL, START_NS, START_UTC_NS - START_NS, &b->rig_sink);
    if (b->rig == NULL)
        return false;
    rig_set_slice(b->rig, SLICE_NS);
    return true;
}

static bool is_near(const struct stamped *press, int64_t off_ns)
{
    int64_t truth_ns = START_UTC_NS + press->at_ns - START_NS + off_ns;
    int64_t error_ns = press->when.utc.ns - truth_ns;
    return (error_ns < 0 ? -error_ns : error_ns) <= press->when.utc_bound_ns;
}

static bool is_right(const struct scenario *scenario, const struct stamped *press)
{
    if (press->when.utc_bound_ns < 0)
        return !scenario->only_true;
    return is_near(press, 0) || (!scenario->only_true && is_near(press, scenario->other_off_ns));
}

struct result {
    int64_t made, lost, doubled, outside;
    double worst_ms;
};

static void judge(struct bench *b, struct result *result)
{
    const char *name = b->scenario->name;
    for (int i = 0; i < b->presses; i++) {
        const struct stamped *press = &b->press[i];
        if (!press->touched)
            continue;
        result->made++;
        bool due = press->result != WIRE_RESULT_REFUSED;
        result->lost += !press->kept || (due && press->markers == 0);
        result->doubled += press->markers > 1;
        if (press->markers == 0)
            continue;
        int64_t error_ns = press->when.mono.ns - press->at_ns;
        error_ns = error_ns < 0 ? -error_ns : error_ns;
        if (press->when.mono_bound_ns < 0 || error_ns > press->when.mono_bound_ns ||
            !is_right(b->scenario, press)) {
            result->outside++;
            campaign_fail(b->campaign,
                          "%s: press %d at %.3f s: monotonic off %.3f ms, bound %.3f ms; UTC off %.6f s, "
                          "bound %.3f ms, %s",
                          name, i + 1, (double)(press->at_ns - START_NS) / 1e9, (double)error_ns / 1e6,
                          (double)press->when.mono_bound_ns / 1e6,
                          (double)(press->when.utc.ns - START_UTC_NS - press->at_ns + START_NS) / 1e9,
                          (double)press->when.utc_bound_ns / 1e6, clock_trust_name(press->when.trust));
        }
    }
    if (b->scenario->told != NULL && b->told == 0)
        campaign_fail(b->campaign, "%s: the journal does not say '%s'", name, b->scenario->told);
    if (b->surprise[0] != '\0')
        campaign_fail(b->campaign, "%s: the journal tells of what was not: %s", name, b->surprise);
    /* Nobody told a sleeping machine where the vehicle was. */
    if (b->scenario->asleep_to == 0 && b->positions * 10 < b->markers * 8)
        campaign_fail(b->campaign, "%s: %d of %d markers have a position", name, b->positions, b->markers);
}

static void begin_dive(struct bench *b)
{
    char text[64];
    struct fields_writer record;
    fields_begin(&record, text, sizeof text, "dive.begin");
    fields_put_int(&record, "token", 1);
    fields_put(&record, "id", "T001");
    give_record(b, INPUT_COMMAND, 0, START_NS, &record);
}

static void run(struct campaign *campaign, const struct scenario *scenario, uint64_t seed,
                struct result *result)
{
    struct bench *b = calloc(1, sizeof *b);
    if (b == NULL)
        abort();
    b->campaign = campaign;
    b->scenario = scenario;
    if (!make_engine(b) || !make_rig(b, seed)) {
        campaign_fail(campaign, "%s: could not be set up", scenario->name);
    } else {
        int64_t asleep_ns = scenario->asleep_to - scenario->asleep_from;
        rig_begin(b->rig);
        for (int feed = 0; feed < SCRIPT_FEEDS; feed++)
            give(b, INPUT_FEED_UP, feed, START_NS, "op=up", 5);
        observe_utc(b, START_NS);
        begin_dive(b);
        pass(b, START_NS + LENGTH_NS + asleep_ns);
        judge(b, result);
    }
    rig_free(b->rig);
    script_free(&b->script);
    engine_free(b->engine);
    free(b);
}

int main(int argc, char **argv)
{
    struct campaign campaign;
    (void)argc;
    campaign_begin(&campaign, "fault_time", argv[0]);
    const int seeds = campaign.is_long ? 40 : 1;
    uint64_t chance = campaign.seed;
    for (int i = 0; i < SCENARIOS; i++) {
        struct result result = {0};
        for (int s = 0; s < seeds; s++)
            run(&campaign, &scenarios[i], campaign_random(&chance) >> 16, &result);
        struct campaign_row row = {scenarios[i].name, seeds, result.made, result.lost, result.doubled, -1};
        campaign_row(&campaign, &row);
        printf("%s: %" PRId64 " presses, %" PRId64 " outside\n", scenarios[i].name, result.made,
               result.outside);
    }
    return campaign_end(&campaign);
}
