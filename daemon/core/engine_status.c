/* `status`: how everything is, the sick first. */
#include "core/engine_state.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>

enum { LINES_STATUS_MAX = 48 };

struct status {
    struct engine_status_line line[LINES_STATUS_MAX];
    size_t count;
};

static void say(struct status *status, const char *what, bool sick, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

static void say(struct status *status, const char *what, bool sick, const char *format, ...)
{
    if (status->count == LINES_STATUS_MAX)
        return;
    struct engine_status_line *line = &status->line[status->count++];
    engine_copy(line->what, sizeof line->what, what);
    line->sick = sick;
    va_list args;
    va_start(args, format);
    vsnprintf(line->text, sizeof line->text, format, args);
    va_end(args);
}

static void duration_text(int64_t ns, char *out, size_t size)
{
    int64_t s = ns / NS_PER_S;
    if (s < 3600)
        snprintf(out, size, "%" PRId64 " min %02" PRId64 " s", s / 60, s % 60);
    else
        snprintf(out, size, "%" PRId64 " h %02" PRId64 " min", s / 3600, s / 60 % 60);
}

static void dive_lines(const struct engine *e, struct status *status)
{
    if (!e->dive.open) {
        say(status, "dive", true,
            "no dive is open: markers are kept outside any dive; `bellrope dive begin ID` opens one");
        return;
    }
    struct watch_status watch;
    struct when now = engine_when(e, e->now_ns, e->now_ns);
    char bottom[32], left[48] = "";
    watchlog_status(e->watch, now.utc, &watch);
    duration_text(watch.bottom_ns, bottom, sizeof bottom);
    if (watch.planned) {
        char text[32];
        duration_text(watch.left_ns < 0 ? -watch.left_ns : watch.left_ns, text, sizeof text);
        snprintf(left, sizeof left, ", %s %s", text, watch.left_ns < 0 ? "over the plan" : "left");
    }
    say(status, "dive", watch.planned && watch.left_ns < 0,
        "%s, %s, on the bottom %s%s; %" PRIu32 " markers, %" PRIu32 " sightings, %" PRIu32 " samples",
        e->dive.id, watch.phase != DIVE_PHASE_NONE ? dive_phase_name(watch.phase) : "no phase yet", bottom,
        left, e->dive.markers, watch.sightings, watch.samples);
    for (size_t i = 0; i < e->seat_count; i++) {
        if (watch.seat[i].in_hand == 0)
            continue;
        char so_far[32], who[WHO_SIZE + 8];
        duration_text(watch.seat[i].so_far_ns, so_far, sizeof so_far);
        snprintf(who, sizeof who, "%s%s", watch.seat[i].who[0] != '\0' ? ", " : "", watch.seat[i].who);
        char what[32];
        snprintf(what, sizeof what, "seat %s", e->seat[i]);
        say(status, what, false, "S%" PRIu32 " %s for %s%s", watch.seat[i].in_hand, watch.seat[i].label,
            so_far, who);
    }
}

static void clock_line(const struct engine *e, struct when now, struct status *status)
{
    const char *source = e->config.utc_feed >= 0 ? e->config.feed[e->config.utc_feed].name : "system clock";
    if (now.trust == CLOCK_TRUST_NONE)
        say(status, "utc", true, "not known yet (%s)", source);
    else if (now.utc_bound_ns < 0)
        say(status, "utc", true,
            "%s, not synchronised: its error is not known; markers are timed again once it is", source);
    else
        say(status, "utc", now.trust != CLOCK_TRUST_SYNCED, "%s, %s, within %.3f ms", source,
            clock_trust_name(now.trust), (double)now.utc_bound_ns / 1e6);
}

static void timecode_line(const struct engine *e, struct status *status)
{
    struct timecode_stamp now = engine_timecode_at(e, e->now_ns, e->now_ns);
    const char *source = e->config.timecode_from_ltc ? "from audio" : "time of day";
    if (now.label[0] == '\0') {
        say(status, "timecode", true, "none (%s, %s configured)", source, timecode_rate_name(e->config.rate));
        return;
    }
    char bound[40] = "error not known", clap[72] = "";
    if (now.bound_frames >= 0)
        snprintf(bound, sizeof bound, "within %.3f frames", now.bound_frames);
    if (e->timecode.clapped)
        snprintf(clap, sizeof clap, ", %+.3f frames by a clap, within %.3f",
                 (double)e->timecode.offset_uf / 1e6, (double)e->timecode.offset_error_uf / 1e6);
    say(status, "timecode", now.trust != TIMECODE_TRUST_LOCKED, "%s at %s, %s, %s, %s%s", now.label, now.rate,
        timecode_trust_name(now.trust), bound, source, clap);
}

static void pad_line(const struct engine *e, int pad, struct status *status)
{
    const struct pad_link *link = &e->pad[pad];
    char what[32];
    snprintf(what, sizeof what, "pad %.23s", e->config.pad[pad].name);
    if (!link->up) {
        say(status, what, true, "not found; it is looked for");
        return;
    }
    if (!link->greeted || link->silent) {
        say(status, what, true,
            link->greeted ? "%s is silent: check the cable" : "the port is open%s but no pad answers",
            link->greeted ? link->serial : "");
        return;
    }
    const struct wire_counters *bad = &link->decoder.counters;
    struct clockmap_interval at;
    const struct boot *boot = &e->boot[link->boot];
    size_t known = clockmap_count(&boot->map);
    struct clockmap_constraint last;
    double bound_ms = -1;
    if (known > 0 && clockmap_get(&boot->map, known - 1, &last) && clockmap_at(&boot->map, last.a, &at))
        bound_ms = (double)clockmap_half(at) / 1e6;
    say(status, what, link->faults != 0,
        "%s at seat %s, clock within %.3f ms, %" PRIu64 " presses, %" PRIu32 " bad frames%s%s", link->serial,
        e->config.pad[pad].seat, bound_ms, link->presses, bad->crc + bad->cobs + bad->length + bad->value,
        link->faults != 0 ? ", fault" : "", link->has_plan ? "" : ", NO KEY PLAN");
}

static void feed_line(const struct engine *e, int feed, struct status *status)
{
    const struct feed_state *state = &e->feed[feed];
    char what[32];
    snprintf(what, sizeof what, "feed %.23s", e->config.feed[feed].name);
    uint64_t bad = state->bad + state->lines.overlong;
    if (!state->up)
        say(status, what, true, "not open; it is tried again");
    else if (state->good == 0 && bad == 0)
        say(status, what, true, "open, nothing heard yet");
    else
        say(status, what, state->silent,
            "%s, last heard %.1f s ago, %" PRIu64 " good lines, %" PRIu64 " bad, %" PRIu64 " of no use",
            state->silent ? "SILENT" : "heard", (double)(e->now_ns - state->heard_ns) / 1e9, state->good, bad,
            state->other);
}

void engine_status(struct engine *e, mono_ns now,
                   void (*sink)(void *ctx, const struct engine_status_line *line), void *ctx)
{
    /* A look at the engine as of `now`: no timer runs, nothing changes. */
    int64_t before = e->now_ns;
    if (now.ns > e->now_ns)
        e->now_ns = now.ns;
    struct status status = {.count = 0};
    if (e->store_failing)
        say(&status, "store", true,
            "cannot write; presses stay in the pads, commands wait (refused once many wait)");
    else
        say(&status, "store", false, "writing; journal at %" PRId64 ", %" PRId64 " waiting", e->committed_seq,
            e->seq - e->committed_seq);
    dive_lines(e, &status);
    clock_line(e, engine_when(e, e->now_ns, e->now_ns), &status);
    timecode_line(e, &status);
    for (int i = 0; i < (int)e->config.pad_count; i++)
        pad_line(e, i, &status);
    for (int i = 0; i < (int)e->config.feed_count; i++)
        feed_line(e, i, &status);
    e->now_ns = before;
    for (int sick = 1; sick >= 0; sick--)
        for (size_t i = 0; i < status.count; i++)
            if (status.line[i].sick == (sick == 1))
                sink(ctx, &status.line[i]);
}
