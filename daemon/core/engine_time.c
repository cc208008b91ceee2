/* UTC and timecode: what the clocks said, what became of it, and the stamps made from it. */
#include "core/engine_state.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

int engine_time_init(struct engine *e)
{
    enum utcmap_source source = e->config.utc_feed >= 0 ? UTCMAP_GNSS : UTCMAP_SYSTEM;
    struct utcmap_params utc = utcmap_params_default(source);
    if (utcmap_init(&e->utc, source, &utc) != 0)
        return -1;
    if (e->config.utc_delay_max_ns <= 0)
        e->config.utc_delay_max_ns = NS_PER_S;
    int32_t sample_rate = e->config.audio_sample_rate_hz > 0 ? e->config.audio_sample_rate_hz : 48000;
    struct tcmap_params timecode = tcmap_params_default(
        e->config.rate, sample_rate, e->config.audio_latency_min_ns, e->config.audio_latency_max_ns);
    return tcmap_init(&e->timecode, &timecode);
}

/* ---- stamps ---- */

static int64_t middle_of(int64_t lo_ns, int64_t hi_ns)
{
    return clockmap_middle((struct clockmap_interval){lo_ns, hi_ns});
}

static int64_t half_of(int64_t lo_ns, int64_t hi_ns)
{
    return clockmap_half((struct clockmap_interval){lo_ns, hi_ns});
}

struct when engine_when(const struct engine *e, int64_t lo_ns, int64_t hi_ns)
{
    struct when when = {
        .mono = {middle_of(lo_ns, hi_ns)}, .mono_bound_ns = half_of(lo_ns, hi_ns), .utc_bound_ns = -1};
    struct utc_answer utc = utcmap_at(&e->utc, when.mono);
    if (!utc.known)
        return when;
    when.utc = utc.utc;
    when.trust = utc.state == CLOCK_SYNCED     ? CLOCK_TRUST_SYNCED
                 : utc.state == CLOCK_HOLDOVER ? CLOCK_TRUST_HOLDOVER
                                               : CLOCK_TRUST_UNSYNCED;
    if (utc.bound_known) {
        /* The instant is off by at most half the interval, and UTC runs at most 0.1 % fast or slow against the host over it. */
        int64_t half = when.mono_bound_ns;
        when.utc_bound_ns = utc.bound_ns + half + half / 1000 + 1;
    }
    return when;
}

static struct timecode_stamp stamp_of(const struct tc_answer *answer, double half_ns)
{
    struct timecode_stamp stamp = {.bound_frames = -1};
    if (!answer->known)
        return stamp;
    stamp.trust = answer->state == TC_LOCKED     ? TIMECODE_TRUST_LOCKED
                  : answer->state == TC_HOLDOVER ? TIMECODE_TRUST_HOLDOVER
                                                 : TIMECODE_TRUST_NONE;
    timecode_format(answer->label, answer->rate, stamp.label);
    engine_copy(stamp.rate, sizeof stamp.rate, timecode_rate_name(answer->rate));
    stamp.frame = answer->frame;
    stamp.within = answer->fraction_uf / 1e6;
    if (answer->bound_known) {
        int32_t num, den;
        timecode_rate_fraction(answer->rate, &num, &den);
        stamp.bound_frames = (double)answer->bound_uf / 1e6 + half_ns * 1.001e-9 * num / den;
    }
    return stamp;
}

struct timecode_stamp engine_timecode_at(const struct engine *e, int64_t lo_ns, int64_t hi_ns)
{
    mono_ns at = {middle_of(lo_ns, hi_ns)};
    struct tc_answer answer;
    if (e->config.timecode_from_ltc) {
        answer = tcmap_at(&e->timecode, at);
    } else {
        struct utc_answer utc = utcmap_at(&e->utc, at);
        answer = tcmap_time_of_day(&utc, e->config.rate);
    }
    return stamp_of(&answer, (double)half_of(lo_ns, hi_ns));
}

struct timecode_stamp engine_time_of_day(const struct engine *e, utc_ns at, int64_t bound_ns)
{
    struct utc_answer utc = {.known = true,
                             .bound_known = bound_ns >= 0,
                             .state = CLOCK_SYNCED,
                             .utc = at,
                             .bound_ns = bound_ns >= 0 ? bound_ns : 0};
    struct tc_answer answer = tcmap_time_of_day(&utc, e->config.rate);
    return stamp_of(&answer, 0);
}

/* ---- UTC ---- */

static void observe_utc(struct engine *e)
{
    struct clockmap_constraint constraint;
    if (!utcmap_newest(&e->utc, &constraint))
        return;
    struct engine_observation observation = {"utc", constraint.a, constraint.lo, constraint.hi};
    e->sink.observe(e->sink.ctx, &observation);
}

void engine_utc_events(struct engine *e, unsigned events)
{
    const char *source =
        e->config.utc_feed >= 0 ? e->config.feed[e->config.utc_feed].name : "the system's clock";
    if (events & UTCMAP_STEP) {
        engine_notice(e, ENTRY_CLOCK, "utc", "stepped", "%s stepped by %.6f s; times from here on follow it",
                      source, (double)e->utc.step_ns / 1e9);
    }
    if (events & UTCMAP_GUESS_STEP)
        engine_notice(e, ENTRY_CLOCK, "utc", "set",
                      "the machine's clock, not synchronised, was set by %.3f s",
                      (double)e->utc.guess_step_ns / 1e9);
    if (events & UTCMAP_LEAPT)
        engine_notice(e, ENTRY_CLOCK, "utc", "leap", "a leap second passed");
    if (events & UTCMAP_LOST)
        engine_notice(e, ENTRY_CLOCK, "utc", "lost", "%s gives no UTC any more; bounds grow from here on",
                      source);
    if (events & UTCMAP_SYNCED)
        engine_notice(e, ENTRY_CLOCK, "utc", "synced", "UTC is known, from %s", source);
    if (events & UTCMAP_TAKEN)
        observe_utc(e);
    if (events & (UTCMAP_SYNCED | UTCMAP_STEP))
        engine_retime(e);
    /* After a start the idle sightings of the dive wait for the first word on UTC. */
    if (e->due_ns[TIMER_IDLE] == NEVER && !e->restoring)
        engine_idle_arm(e);
    if (e->config.utc_feed >= 0 && (events & UTCMAP_TAKEN))
        e->due_ns[TIMER_UTC] = e->now_ns + e->utc.params.fresh_ns + 1;
}

void engine_utc(struct engine *e, const struct fields *fields)
{
    struct utcmap_system reading = {0};
    int64_t synced = 0, leap = 0;
    if (!fields_int(fields, "before", &reading.before.ns) ||
        !fields_int(fields, "after", &reading.after.ns) || !fields_int(fields, "utc", &reading.realtime.ns) ||
        !fields_int(fields, "synced", &synced))
        return;
    fields_int(fields, "max_error_us", &reading.maxerror_us);
    fields_int(fields, "est_error_us", &reading.esterror_us);
    fields_int(fields, "leap", &leap);
    reading.synced = synced == 1;
    reading.leap =
        leap >= UTCMAP_LEAP_NONE && leap <= UTCMAP_LEAP_DONE ? (enum utcmap_leap)leap : UTCMAP_LEAP_NONE;
    engine_utc_events(e, utcmap_add_system(&e->utc, &reading));
}

void engine_utc_timer(struct engine *e)
{
    engine_utc_events(e, utcmap_poll(&e->utc, (mono_ns){e->now_ns}));
}

/* ---- timecode ---- */

static void timecode_notices(struct engine *e, struct tcmap_events events)
{
    const char *configured = timecode_rate_name(e->config.rate);
    if (events.flags & TCMAP_EVENT_AUDIO_STEP)
        engine_notice(e, ENTRY_TIMECODE, "recorder", "audio step",
                      "the timecode audio jumped: samples were lost or repeated");
    if (events.flags & TCMAP_EVENT_JUMP)
        engine_notice(e, ENTRY_TIMECODE, "recorder", "jumped", "timecode jumped by %" PRId64 " frames",
                      events.jump_frames);
    if (events.flags & TCMAP_EVENT_REVERSE)
        engine_notice(e, ENTRY_TIMECODE, "recorder", "reverse",
                      "timecode runs in reverse: the recorder is being wound back");
    if (events.flags & TCMAP_EVENT_SHUTTLE)
        engine_notice(e, ENTRY_TIMECODE, "recorder", "shuttle", "timecode runs at %.2f times play speed",
                      events.speed_permille / 1000.0);
    if (events.flags & TCMAP_EVENT_RATE)
        engine_notice(e, ENTRY_TIMECODE, "recorder", "rate",
                      "timecode is heard at %s and %s is configured; %s is followed",
                      timecode_rate_name(events.heard), configured, timecode_rate_name(events.heard));
    if (events.flags & TCMAP_EVENT_DROP_FLAG)
        engine_notice(e, ENTRY_TIMECODE, "recorder", "drop flag",
                      "the drop-frame flag is not that of %s, which is configured", configured);
    if (events.flags & TCMAP_EVENT_LOST)
        engine_notice(e, ENTRY_TIMECODE, "recorder", "lost",
                      "no timecode is heard; labels are carried on and bounds grow");
    if (events.flags & TCMAP_EVENT_LOCKED)
        engine_notice(e, ENTRY_TIMECODE, "recorder", "locked", "timecode is heard at %s",
                      timecode_rate_name(e->timecode.rate));
    if (events.flags & TCMAP_EVENT_USER_BITS) {
        uint32_t bits = 0;
        tcmap_user_bits(&e->timecode, &bits);
        engine_notice(e, ENTRY_TIMECODE, "recorder", "user bits", "user bits are %08" PRIX32, bits);
    }
}

void engine_audio(struct engine *e, const struct fields *fields)
{
    char op[16], why[200];
    int64_t end = 0;
    fields_text(fields, "op", op, sizeof op);
    if (fields_int(fields, "end", &end)) {
        timecode_notices(e, tcmap_chunk(&e->timecode, end, (mono_ns){e->now_ns}));
        e->due_ns[TIMER_TIMECODE] = e->now_ns + 2 * e->timecode.params.dropout_ns;
    } else {
        fields_text(fields, "why", why, sizeof why);
        engine_notice(e, ENTRY_TIMECODE, "recorder", "audio ended", "the timecode audio ended: %s", why);
        timecode_notices(e, tcmap_audio_restart(&e->timecode));
    }
}

void engine_timecode_timer(struct engine *e)
{
    timecode_notices(e, tcmap_poll(&e->timecode, (mono_ns){e->now_ns}));
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    if (c >= 'A' && c <= 'F')
        return c - 'A' + 10;
    return -1;
}

/* Once a second of recorded time: enough to work timecode out anew after the dive. */
static void observe_recorder(struct engine *e)
{
    struct clockmap_constraint constraint;
    enum timecode_rate rate;
    char clock[32];
    if (!tcmap_newest(&e->timecode, &rate, &constraint) || constraint.a < e->recorder_due_ns)
        return;
    e->recorder_due_ns = constraint.a + NS_PER_S;
    snprintf(clock, sizeof clock, "recorder %s", timecode_rate_name(rate));
    struct engine_observation observation = {clock, constraint.a, constraint.lo, constraint.hi};
    e->sink.observe(e->sink.ctx, &observation);
}

void engine_ltc(struct engine *e, const struct fields *fields)
{
    struct tcmap_word word = {.reverse = false};
    char hex[2 * TIMECODE_WORD_BYTES + 1];
    int64_t reverse = 0;
    if (!fields_text(fields, "word", hex, sizeof hex) || strlen(hex) != 2 * TIMECODE_WORD_BYTES ||
        !fields_int(fields, "start", &word.off_start) || !fields_int(fields, "end", &word.off_end))
        return;
    fields_int(fields, "reverse", &reverse);
    word.reverse = reverse == 1;
    for (size_t i = 0; i < TIMECODE_WORD_BYTES; i++) {
        int high = hex_digit(hex[2 * i]), low = hex_digit(hex[2 * i + 1]);
        if (high < 0 || low < 0)
            return;
        word.packed[i] = (uint8_t)(high * 16 + low);
    }
    timecode_notices(e, tcmap_word(&e->timecode, &word));
    observe_recorder(e);
}
