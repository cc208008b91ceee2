/*
 * The true recorder position lies inside the bound given for it, and the frame is exact wherever that is farther from an edge than the bound.
 * Random recorders at every rate, up to 200 ppm off, heard through sound cards up to 150 ppm off the other way; word edges off by up to
 * three samples; chunks of any size read late by a latency that varies, behind stalls of the host; drop-outs, spoiled words, jumps,
 * winding, midnight; and in one in five samples lost without a word, after which what was said meanwhile is looked at when it is final.
 *
 * Default: a small count. BELLROPE_LONG=1: 1,000 recorders.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "core/tcmap.h"
#include "core_sim.h"

#define MS 1e6L
#define S 1e9L
#define PIECES 16

static struct sim_tally bound_tally[TIMECODE_RATES];
static uint64_t checked[TIMECODE_RATES], exact[TIMECODE_RATES], away[TIMECODE_RATES],
    away_exact[TIMECODE_RATES];
static uint64_t outside, holdovers, nones, live;

/* From `from` on the recorder's position is its own clock plus `offset` frames; silent or winding pieces have no words to be believed. */
struct piece {
    long double from;
    int64_t offset;
    bool silent, winding;
    bool continues; /* the next piece has the same offset: a drop-out and no jump */
};

struct rig {
    enum timecode_rate rate, word_rate;
    int32_t sample_rate, chunk;
    long double latency_min, latency_max, length;
    struct sim_clock recorder; /* mono ns -> recorder ns */
    struct sim_clock audio;    /* nominal sample ns -> mono ns */
    struct piece piece[PIECES];
    int pieces;
    bool calm; /* no jumps, no winding, nothing lost: then answers must hold at once and not only later */
    long double lost_from, lost_to; /* what was played then is not in the stream; equal: nothing */
    struct tcmap map;
    int64_t chunk_end;
    long double read, stall_until;
    bool read_in_time;
};

static long double frames_per_ns(enum timecode_rate rate)
{
    int32_t num, den;
    timecode_rate_fraction(rate, &num, &den);
    return (long double)num / den / S;
}

static const struct piece *piece_at(const struct rig *rig, long double mono)
{
    int i = rig->pieces - 1;
    while (i > 0 && mono < rig->piece[i].from)
        i--;
    return &rig->piece[i];
}

/* In frames of the full rate, counted on over midnight. */
static long double truth_at(const struct rig *rig, long double mono)
{
    return sim_b_at(&rig->recorder, mono, NULL) * frames_per_ns(rig->rate) +
           (long double)piece_at(rig, mono)->offset;
}

static long double mono_of_sample(const struct rig *rig, long double sample)
{
    return sim_b_at(&rig->audio, sample * S / rig->sample_rate, NULL);
}

static long double sample_of_mono(const struct rig *rig, long double mono)
{
    return sim_x_at(&rig->audio, mono) * rig->sample_rate / S;
}

/* Where in the stream a sample is found that was played. */
static long double stream_of(const struct rig *rig, long double mono)
{
    const long double played = sample_of_mono(rig, mono);
    if (mono < rig->lost_from)
        return played;
    return played - (sample_of_mono(rig, rig->lost_to) - sample_of_mono(rig, rig->lost_from));
}

static long double mono_of_stream(const struct rig *rig, long double index)
{
    const long double from = sample_of_mono(rig, rig->lost_from);
    return mono_of_sample(rig, index < from ? index : index + sample_of_mono(rig, rig->lost_to) - from);
}

static void add_piece(struct rig *rig, long double at, int64_t offset, bool silent, bool winding,
                      bool continues)
{
    rig->piece[rig->pieces++] = (struct piece){at, offset, silent, winding, continues};
}

static void make_pieces(struct rig *rig)
{
    const int64_t day = timecode_frames_per_day(rig->rate);
    const int pair = timecode_nominal_fps(rig->rate) > 30 ? 2 : 1;
    /* Some begin shortly before midnight. */
    int64_t offset =
        (sim_chance(0.3) ? day - (int64_t)sim_between(100, 2000) : (int64_t)sim_between(0, (double)day)) /
        pair * pair;
    rig->calm = sim_chance(0.5);
    add_piece(rig, 0, offset, false, false, false);
    long double at = sim_between(8, 25) * S;
    while (rig->pieces + 2 < PIECES && at < rig->length) {
        const bool jumps = !rig->calm && sim_chance(0.6), winds = jumps && sim_chance(0.4);
        const int64_t before = offset;
        if (jumps)
            offset +=
                (sim_chance(0.3) ? (sim_chance(0.5) ? 1 : -1) : (int64_t)sim_between(-500000, 500000)) * pair;
        if (winds || sim_chance(0.7)) {
            add_piece(rig, at, before, !winds, winds, !jumps);
            at += sim_between(0.05, 6) * S;
        }
        add_piece(rig, at, offset, false, false, false);
        at += sim_between(8, 25) * S;
    }
}

static void make_rig(struct rig *rig, int number)
{
    memset(rig, 0, sizeof *rig);
    rig->rate = (enum timecode_rate)(number % TIMECODE_RATES);
    rig->word_rate = timecode_word_rate(rig->rate);
    static const int32_t sample_rates[] = {8000, 44100, 48000, 96000};
    rig->sample_rate = sample_rates[sim_bits() % 4];
    rig->chunk = (int32_t)(sim_between(0.005, 0.17) * rig->sample_rate);
    rig->latency_min = sim_between(0, 10) * MS;
    rig->latency_max = rig->latency_min + sim_between(1, 20) * MS;
    rig->length = sim_between(40, 120) * S;
    const struct sim_model recorder = {800e-6, 0.1e-6, 50e-6, 100e-6},
                           audio = {300e-6, 0.1e-6, 50e-6, 100e-6};
    sim_clock_make(&rig->recorder, &recorder, sim_between(-200e-6, 200e-6), -S, rig->length * 1.1L + 20 * S,
                   -S, sim_chance(0.3));
    sim_clock_make(&rig->audio, &audio, sim_between(-150e-6, 150e-6), -S, rig->length * 1.2L + 20 * S, -S,
                   sim_chance(0.3));
    make_pieces(rig);
    if (rig->calm && sim_chance(0.4)) {
        rig->calm = false;
        rig->lost_from = sim_between(5, 30) * S;
        rig->lost_to = rig->lost_from + sim_between(60, 2000) * MS;
    }
    const struct tcmap_params params = tcmap_params_default(
        rig->rate, rig->sample_rate, (int64_t)floorl(rig->latency_min), (int64_t)ceill(rig->latency_max));
    assert_int_equal(tcmap_init(&rig->map, &params), 0);
}

static void chunks_to(struct rig *rig, long double sample)
{
    while ((long double)rig->chunk_end <= sample) {
        rig->chunk_end += rig->chunk;
        long double heard = mono_of_stream(rig, (long double)rig->chunk_end);
        long double read = heard + sim_between((double)rig->latency_min, (double)rig->latency_max);
        /* Stalls never follow so close that no chunk comes in time for a second: that is what is assumed of a host. */
        if (rig->read_in_time && sim_chance(0.01))
            rig->stall_until = read + sim_between(0, 400) * MS;
        const long double now = fmaxl(read, fmaxl(rig->stall_until, rig->read));
        rig->read_in_time = now <= heard + rig->latency_max;
        read = now;
        rig->read = read;
        tcmap_chunk(&rig->map, rig->chunk_end, (mono_ns){(int64_t)ceill(read)});
    }
}

static void hear_word(struct rig *rig, int64_t frame, long double from, long double to, bool spoiled)
{
    struct timecode_word word = {.tc = timecode_from_frame(frame, rig->word_rate),
                                 .drop = timecode_is_drop(rig->rate),
                                 .user_bits = 0x12345678};
    const double jitter = 3;
    struct tcmap_word in = {.off_start = (int64_t)roundl(from + sim_between(-jitter + 0.5, jitter - 0.5)),
                            .off_end = (int64_t)roundl(to + sim_between(-jitter + 0.5, jitter - 0.5)) - 1};
    timecode_word_encode(&word, rig->rate, in.packed);
    if (spoiled)
        in.packed[sim_bits() % 8] ^= (uint8_t)(1u << sim_bits() % 8);
    tcmap_word(&rig->map, &in);
}

static void assert_answer(struct rig *rig, long double mono)
{
    const struct tc_answer answer = tcmap_at(&rig->map, (mono_ns){(int64_t)mono});
    const struct piece *piece = piece_at(rig, mono);
    if (answer.state == TC_NONE) {
        nones++;
        return;
    }
    if (answer.state == TC_HOLDOVER) {
        /* Rests on the recorder running on without a jump: not so here, or at the very edge of a piece. */
        const bool at_edge =
            !rig->calm && rig->lost_from == rig->lost_to &&
            (piece_at(rig, mono - 100 * MS) != piece || piece_at(rig, mono + 100 * MS) != piece);
        if (piece->winding || (piece->silent && !piece->continues) || at_edge)
            return;
        holdovers++;
    }
    const long double truth = truth_at(rig, floorl(mono));
    const int64_t day = timecode_frames_per_day(rig->rate);
    const long double given = (long double)answer.frame + answer.fraction_uf * 1e-6L,
                      bound = answer.bound_uf * 1e-6L + 2e-6L;
    long double off = fmodl(given - truth, (long double)day);
    if (off > (long double)day / 2)
        off -= (long double)day;
    if (off < -(long double)day / 2)
        off += (long double)day;
    if (fabsl(off) > bound) {
        outside++;
        print_message("outside: rate %s, off %.4Lf frames, bound %.4Lf, state %s, at %.3Lf s\n",
                      timecode_rate_name(rig->rate), off, bound, tc_state_name(answer.state), mono / S);
    }
    if (answer.state != TC_LOCKED)
        return;
    const bool is_exact = answer.frame == timecode_wrap((int64_t)floorl(truth), rig->rate);
    const long double fraction = truth - floorl(truth);
    const bool is_away = fraction > bound && 1 - fraction > bound;
    checked[rig->rate]++;
    exact[rig->rate] += is_exact;
    away[rig->rate] += is_away;
    away_exact[rig->rate] += is_away && is_exact;
    sim_note(&bound_tally[rig->rate], (double)answer.bound_uf / 1000); /* in thousandths of a frame */
}

/* Plays the recorder through, word by word. */
static void play(struct rig *rig)
{
    const long double per_ns = frames_per_ns(rig->word_rate);
    const int pair = timecode_nominal_fps(rig->rate) / timecode_nominal_fps(rig->word_rate);
    const int64_t words = (int64_t)floorl(sim_b_at(&rig->recorder, rig->length, NULL) * per_ns);
    for (int64_t n = 1; n < words; n++) {
        const long double from = sim_x_at(&rig->recorder, (long double)n / per_ns);
        const long double to = sim_x_at(&rig->recorder, (long double)(n + 1) / per_ns);
        /* A piece takes effect at a word's edge. */
        for (int i = 0; i < rig->pieces; i++)
            if (rig->piece[i].from > from && rig->piece[i].from < to)
                rig->piece[i].from = to;
        if (from < 1 * MS)
            continue; /* before the first sample */
        const struct piece *piece = piece_at(rig, from);
        if (from < rig->lost_to && to > rig->lost_from)
            continue; /* not whole in the stream */
        const long double first = stream_of(rig, from), last = stream_of(rig, to);
        chunks_to(rig, last);
        if (piece->winding) {
            if (n % 2 == 0 && piece_at(rig, to) == piece) /* half speed: one word in the time of two */
                hear_word(rig, n / 2 + piece->offset / pair, first, last + (last - first), false);
        } else if (!piece->silent) {
            hear_word(rig, n + piece->offset / pair, first, last, sim_chance(0.003));
        }
        if (rig->calm && n > 100 && sim_chance(0.1)) {
            live++;
            assert_answer(rig, rig->read - sim_between(0, 60) * MS);
        }
    }
}

static void truth_is_inside(void **state)
{
    (void)state;
    static struct rig rig;
    const int rigs = sim_long() ? 1000 : 90, presses = sim_long() ? 1000 : 500;
    sim_begin("core_timecode_truth");
    for (int i = 0; i < rigs; i++) {
        make_rig(&rig, i);
        play(&rig);
        for (int p = 0; p < presses; p++)
            assert_answer(&rig,
                          sim_between(0, (double)(rig.length -
                                                  300 * MS))); /* a jump at the very end is not known yet */
        assert_int_equal(rig.map.rate, rig.rate);
        assert_int_equal(rig.map.rejected, 0);
    }
    print_message("%d recorders; %llu answers outside their bound; %llu live, %llu in holdover checked, %llu "
                  "without timecode\n",
                  rigs, (unsigned long long)outside, (unsigned long long)live, (unsigned long long)holdovers,
                  (unsigned long long)nones);
    print_message("%-9s %9s | %-28s | %-14s | %s\n", "rate", "locked", "bound, frames: p50  p99  max",
                  "frame exact", "away from edges");
    for (int r = 0; r < TIMECODE_RATES; r++) {
        const struct sim_tally *b = &bound_tally[r];
        print_message("%-9s %9llu | %8.3f %8.3f %8.3f    | %12.3f %% | %.3f %% of %llu\n",
                      timecode_rate_name((enum timecode_rate)r), (unsigned long long)checked[r],
                      sim_quantile_ms(b, 0.5), sim_quantile_ms(b, 0.99), b->max / 1000,
                      100.0 * (double)exact[r] / (double)checked[r],
                      100.0 * (double)away_exact[r] / (double)away[r], (unsigned long long)away[r]);
        assert_true(checked[r] > (sim_long() ? 50000u : 500u));
        assert_true((double)away_exact[r] >= 0.999 * (double)away[r]);
    }
    assert_int_equal(outside, 0);
    assert_true(holdovers > 0 && nones > 0 && live > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(truth_is_inside)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
