/* tcmap_answer: what a tcmap says about an instant, the way back from a label, and the offset between heard and recorded. */
#include "core/tcmap.h"

__extension__ typedef __int128 wide;

#define UF_PER_FRAME INT64_C(1000000)
#define SANE_NS (INT64_C(1) << 60)

const char *tc_state_name(enum tc_state state)
{
    static const char *const names[] = {"none", "holdover", "locked"};
    return names[state];
}

static int64_t uf_of_ns_up(int64_t ns, enum timecode_rate rate)
{
    return -timecode_uf_at_ns(-ns, rate);
}

static void set_position(struct tc_answer *answer, struct clockmap_interval uf, enum timecode_rate rate)
{
    const int64_t middle = clockmap_middle(uf);
    int64_t frame = middle / UF_PER_FRAME;
    if (middle % UF_PER_FRAME < 0)
        frame--;
    answer->known = answer->bound_known = true;
    answer->rate = rate;
    answer->fraction_uf = (int32_t)(middle - frame * UF_PER_FRAME);
    answer->frame = timecode_wrap(frame, rate);
    answer->label = timecode_from_frame(frame, rate);
    answer->bound_uf = clockmap_half(uf);
}

struct tc_answer tcmap_time_of_day(const struct utc_answer *utc, enum timecode_rate rate)
{
    struct tc_answer answer = {.rate = rate, .state = TC_NONE};
    if (!utc->known)
        return answer;
    const int64_t day_ns = INT64_C(86400) * NS_PER_S, rest = utc->utc.ns % day_ns;
    const int64_t last = timecode_frames_per_day(rate) * UF_PER_FRAME - 1;
    int64_t uf = timecode_uf_at_ns(rest < 0 ? rest + day_ns : rest, rate);
    uf = uf < last ? uf : last;
    set_position(&answer, (struct clockmap_interval){uf, uf}, rate);
    answer.bound_known = utc->bound_known;
    answer.bound_uf = utc->bound_known ? uf_of_ns_up(utc->bound_ns, rate) + 1 : 0;
    if (utc->state == CLOCK_SYNCED)
        answer.state = TC_LOCKED;
    else if (utc->state == CLOCK_HOLDOVER)
        answer.state = TC_HOLDOVER;
    return answer;
}

/* The segment in force at an instant: the newest that had begun, or else the first of all. */
static const struct tcmap_segment *segment_at(const struct tcmap *tc, int64_t at)
{
    for (size_t i = tc->segments; i > 0; i--)
        if (at >= tc->segment[i - 1].from)
            return &tc->segment[i - 1];
    return tc->segments > 0 && !tc->segment[0].follows ? &tc->segment[0] : NULL;
}

static enum tc_state state_at(const struct tcmap *tc, const struct tcmap_segment *segment, int64_t at)
{
    const struct presence_span *last = presence_last(&segment->heard);
    const bool is_newest = segment == &tc->segment[tc->segments - 1];
    if (segment->broken && at > last->to + tc->params.dropout_ns)
        return TC_NONE;
    if (!presence_at(&segment->heard, at, tc->params.dropout_ns))
        return TC_HOLDOVER;
    const bool near_start = segment->follows && at < segment->from + segment->edge_ns;
    const bool near_end = segment->broken && at > last->to - segment->edge_ns;
    /* Not open: the capture was started again, and what it will find is not known. */
    const bool in_doubt = is_newest && (tc->doubt || !tc->open) && at > last->to;
    return near_start || near_end || in_doubt ? TC_HOLDOVER : TC_LOCKED;
}

/* Position as heard, in micro-frames of the segment's own count. */
static bool heard_at(const struct tcmap_segment *segment, int64_t at, struct clockmap_interval *uf)
{
    struct clockmap_interval timecode;
    if (!clockmap_at(&segment->map, at, &timecode))
        return false;
    uf->lo = timecode_uf_at_ns(timecode.lo, segment->rate);
    uf->hi = uf_of_ns_up(timecode.hi, segment->rate);
    return true;
}

struct tc_answer tcmap_at(const struct tcmap *tc, mono_ns at)
{
    struct tc_answer answer = {.rate = tc->rate, .state = TC_NONE};
    struct clockmap_interval uf;
    if (at.ns <= -SANE_NS || at.ns >= SANE_NS)
        return answer;
    const struct tcmap_segment *segment = segment_at(tc, at.ns);
    if (segment == NULL || segment->heard.count == 0 || !heard_at(segment, at.ns, &uf))
        return answer;
    answer.state = state_at(tc, segment, at.ns);
    if (answer.state == TC_NONE)
        return answer;
    uf.lo += tc->offset_uf - tc->offset_error_uf;
    uf.hi += tc->offset_uf + tc->offset_error_uf;
    set_position(&answer, uf, segment->rate);
    return answer;
}

bool tcmap_bracketed(const struct tcmap *tc, mono_ns at)
{
    const struct tcmap_segment *segment = segment_at(tc, at.ns);
    const struct presence_span *last = segment != NULL ? presence_last(&segment->heard) : NULL;
    if (last == NULL)
        return false;
    const bool is_newest = segment == &tc->segment[tc->segments - 1];
    if (is_newest && tc->jumped > 0)
        return false;
    return at.ns <= last->to - segment->edge_ns || !is_newest;
}

bool tcmap_newest(const struct tcmap *tc, enum timecode_rate *rate, struct clockmap_constraint *out)
{
    if (!tc->open)
        return false;
    const struct tcmap_segment *segment = &tc->segment[tc->segments - 1];
    const size_t count = clockmap_count(&segment->map);
    *rate = segment->rate;
    return count > 0 && clockmap_get(&segment->map, count - 1, out);
}

/* Micro-frames to ns of timecode, rounded down. */
static int64_t ns_at_uf(int64_t uf, enum timecode_rate rate)
{
    int32_t num, den;
    timecode_rate_fraction(rate, &num, &den);
    wide n = (wide)uf * 1000 * den;
    return (int64_t)(n >= 0 ? n / num : -((-n + num - 1) / num));
}

static bool inverse_in(const struct tcmap *tc, const struct tcmap_segment *segment, int64_t frame,
                       struct clockmap_interval *mono)
{
    const struct presence_span *last = presence_last(&segment->heard);
    struct clockmap_interval now, early, late;
    if (last == NULL || !heard_at(segment, last->to, &now))
        return false;
    const int64_t current = clockmap_middle(now) / UF_PER_FRAME;
    const int64_t count = current + timecode_wrap_near(frame - current, segment->rate);
    const int64_t heard = count * UF_PER_FRAME - tc->offset_uf;
    if (!clockmap_inverse(&segment->map, ns_at_uf(heard - tc->offset_error_uf, segment->rate), &early) ||
        !clockmap_inverse(&segment->map, ns_at_uf(heard + tc->offset_error_uf, segment->rate) + 1, &late))
        return false;
    const bool runs_on = segment == &tc->segment[tc->segments - 1] && !segment->broken;
    if (late.hi < segment->from - segment->edge_ns ||
        (!runs_on && early.lo > last->to + tc->params.dropout_ns))
        return false;
    *mono = (struct clockmap_interval){early.lo, late.hi};
    return true;
}

bool tcmap_inverse(const struct tcmap *tc, int64_t frame, struct clockmap_interval *mono)
{
    for (size_t i = tc->segments; i > 0; i--)
        if (inverse_in(tc, &tc->segment[i - 1], frame, mono))
            return true;
    return false;
}

/* ---- the clapper ---- */

void tcmap_set_offset(struct tcmap *tc, int64_t offset_uf, int64_t error_uf)
{
    tc->offset_uf = offset_uf;
    tc->offset_error_uf = error_uf < 0 ? -error_uf : error_uf;
    tc->clapped = offset_uf != 0 || error_uf != 0;
    tc->clap_uf =
        (struct clockmap_interval){offset_uf - tc->offset_error_uf, offset_uf + tc->offset_error_uf};
}

/* The interval nearest to 0 that is the same modulo a day. */
static struct clockmap_interval near_zero(struct clockmap_interval uf, enum timecode_rate rate)
{
    const int64_t frame = clockmap_middle(uf) / UF_PER_FRAME;
    const int64_t shift = (frame - timecode_wrap_near(frame, rate)) * UF_PER_FRAME;
    return (struct clockmap_interval){uf.lo - shift, uf.hi - shift};
}

int tcmap_clap(struct tcmap *tc, mono_ns lit, int64_t lit_bound_ns, int64_t frame)
{
    struct clockmap_interval early, late;
    if (lit.ns <= -SANE_NS || lit.ns >= SANE_NS || lit_bound_ns < 0 || lit_bound_ns >= SANE_NS)
        return -1;
    const struct tcmap_segment *segment = segment_at(tc, lit.ns);
    if (segment == NULL || segment->heard.count == 0 || state_at(tc, segment, lit.ns) == TC_NONE ||
        !heard_at(segment, lit.ns - lit_bound_ns, &early) || !heard_at(segment, lit.ns + lit_bound_ns, &late))
        return -1;
    struct clockmap_interval offset = {(frame - 1) * UF_PER_FRAME - late.hi,
                                       (frame + 1) * UF_PER_FRAME - early.lo};
    offset = near_zero(offset, segment->rate);
    int result = 0;
    if (tc->clapped) {
        struct clockmap_interval both = {offset.lo > tc->clap_uf.lo ? offset.lo : tc->clap_uf.lo,
                                         offset.hi < tc->clap_uf.hi ? offset.hi : tc->clap_uf.hi};
        result = both.lo > both.hi ? 1 : 0;
        offset = result == 1 ? offset : both;
    }
    tcmap_set_offset(tc, clockmap_middle(offset), clockmap_half(offset));
    tc->clap_uf = offset;
    return result;
}
