/*
 * Frames through real audio. libltc's encoder makes timecode at every rate, 16-bit samples with 20 dB of noise and a level that changes carry it
 * to the daemon's own decoding (io/ltcwords) and map (core/tcmap), in pieces of any number of bytes that are read late as a pipe's are. The
 * recorder's clock and the sound card's are up to 100 ppm off, each its own way. On the way: drop-outs (noise alone), jumps, the recorder's
 * stream ended and begun again, midnight, winding at 0.1 to 2 times play speed and in reverse.
 *
 * Checked against the encoder's own count of samples: no answer that claims a lock is off by more than its bound, at once or later; at least
 * 99.9 % of the frames are exact where no frame's edge is within the bound; winding is recognised and never called locked; user bits
 * arrive.
 *
 * Default: four recorders a rate. BELLROPE_LONG=1: 40 a rate.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "core/tcmap.h"
#include "core_sim.h"
#include "io/ltcwords.h"

#include <ltc.h>

#define MS INT64_C(1000000)
#define S INT64_C(1000000000)

enum { PIECES = 64, WORD_SAMPLES_MAX = 65536, CHUNK_MAX = 16384, ASKED_MAX = 4096, NOISE = 65536 };

enum kind { PLAY, SILENT, WIND, RESTART };

/* What the recorder did from a sample of the capture on. Position at `from` in frames of the rate; speed in play speeds. While the stream
 * is away (SILENT, RESTART) it runs on. */
struct piece {
    enum kind kind;
    double from, position, speed;
    bool shuttle_told, reverse_told;
    double told_speed;
};

struct rig {
    enum timecode_rate rate, word_rate, configured;
    bool rate_told;
    int pair;
    int32_t card_hz;         /* the card's nominal rate */
    double samples_per_word; /* of the card, at the recorder's speed */
    double card_ppm;         /* card fast against the host */
    int64_t start_ns;        /* host time of the card's sample 0 */
    int64_t latency_min, latency_max;
    double level, noise;
    bool calm; /* drop-outs alone: answers must hold at once, in holdover too */
    uint32_t user_bits;
    struct piece piece[PIECES];
    int pieces;
    LTCEncoder *encoder;
    int64_t made; /* samples made so far */
    /* the pipe */
    uint8_t chunk[CHUNK_MAX * 2];
    size_t held, next_read;
    int64_t read, stalled_until;
    bool read_in_time;
    struct ltcwords *words;
    struct tcmap map;
};

static struct sim_tally bound_tally[TIMECODE_RATES];
static uint64_t checked[TIMECODE_RATES], exact[TIMECODE_RATES], away[TIMECODE_RATES],
    away_exact[TIMECODE_RATES], holdovers[TIMECODE_RATES];
static double max_off[TIMECODE_RATES];
static uint64_t outside, outside_held, wound_locked, words_seen, words_wrong;

enum { SPEEDS = 6 };
static const double speed_from[SPEEDS + 1] = {0.1, 0.2, 0.4, 0.8, 1.1, 1.5, 2.001};
static unsigned winds[2][SPEEDS], winds_told[2][SPEEDS];

static int16_t noise_of[NOISE];

static void make_noise(void)
{
    for (int i = 0; i < NOISE; i++) {
        double sum = -6;
        for (int j = 0; j < 12; j++)
            sum += sim_unit();
        noise_of[i] = (int16_t)lrint(sum * 4096); /* 4096: one standard deviation */
    }
}

/* ---- the truth ---- */

static const struct piece *piece_of(const struct rig *rig, double sample)
{
    int i = rig->pieces - 1;
    while (i > 0 && sample < rig->piece[i].from)
        i--;
    return &rig->piece[i];
}

static double sample_at(const struct rig *rig, int64_t mono)
{
    return (double)(mono - rig->start_ns) * 1e-9 * rig->card_hz * (1 + rig->card_ppm * 1e-6);
}

static int64_t mono_of(const struct rig *rig, double sample)
{
    return rig->start_ns + (int64_t)ceil(sample / rig->card_hz * 1e9 / (1 + rig->card_ppm * 1e-6));
}

static double position_in(const struct rig *rig, const struct piece *piece, double sample)
{
    return piece->position + (sample - piece->from) * rig->pair / rig->samples_per_word * piece->speed;
}

/* ---- the pipe ---- */

static void take_events(struct rig *rig, struct tcmap_events events)
{
    struct piece *piece = &rig->piece[rig->pieces - 1];
    if (events.flags & TCMAP_EVENT_SHUTTLE)
        piece->shuttle_told = true;
    if (events.flags & TCMAP_EVENT_REVERSE)
        piece->reverse_told = true;
    if (events.flags & (TCMAP_EVENT_SHUTTLE | TCMAP_EVENT_REVERSE))
        piece->told_speed = events.speed_permille / 1000.0;
    if (events.flags & TCMAP_EVENT_RATE)
        rig->rate_told = true;
    if ((events.flags & TCMAP_EVENT_RATE) && rig->configured == rig->rate)
        fail_msg("rate %s is taken for %s", timecode_rate_name(rig->rate), timecode_rate_name(events.heard));
}

static void assert_answer(struct rig *rig, int64_t mono, bool live);

/* A word that lies in the present piece, wound or not, must say what was recorded there. */
static void assert_label(struct rig *rig, const struct tcmap_word *word, int64_t end)
{
    const struct piece *piece = &rig->piece[rig->pieces - 1];
    const double shift = (double)(rig->made - end);
    if (piece->kind == SILENT || (double)word->off_start + shift < piece->from + rig->samples_per_word)
        return;
    struct timecode_word decoded;
    int64_t frame;
    words_seen++;
    if (timecode_word_decode(word->packed, rig->rate, &decoded) != 0 ||
        timecode_to_frame(decoded.tc, rig->word_rate, &frame) != 0) {
        words_wrong++;
        return;
    }
    const double middle = (double)(word->off_start + word->off_end) / 2 + shift;
    const int64_t truth = (int64_t)floor(position_in(rig, piece, middle));
    words_wrong += frame != timecode_wrap(truth, rig->rate) / rig->pair;
    words_wrong += word->reverse != (piece->speed < 0);
    words_wrong += decoded.user_bits != rig->user_bits;
}

/* What has gathered in the pipe is read: late, and never before it was heard. */
static void read_pipe(struct rig *rig)
{
    if (rig->held == 0)
        return;
    int64_t heard = mono_of(rig, (double)rig->made);
    int64_t read = heard + (int64_t)sim_between((double)rig->latency_min, (double)rig->latency_max);
    if (rig->read_in_time && sim_chance(0.005))
        rig->stalled_until = read + (int64_t)sim_between(0, 300) * MS;
    int64_t now = read > rig->stalled_until ? read : rig->stalled_until;
    now = now > rig->read ? now : rig->read;
    rig->read_in_time = now <= heard + rig->latency_max;
    rig->read = now;
    int64_t end = ltcwords_feed(rig->words, rig->chunk, rig->held);
    rig->held = 0;
    rig->next_read = (size_t)sim_between(1, sim_chance(0.5) ? 1000 : CHUNK_MAX * 2 - 1);
    take_events(rig, tcmap_chunk(&rig->map, end, (mono_ns){now}));
    struct tcmap_word word;
    while (ltcwords_next(rig->words, &word)) {
        assert_label(rig, &word, end);
        take_events(rig, tcmap_word(&rig->map, &word));
    }
    if (rig->calm && sim_chance(0.1))
        assert_answer(rig, now - (int64_t)sim_between(0, 60) * MS, true);
}

static void put_sample(struct rig *rig, double value)
{
    value += rig->noise * noise_of[sim_bits() % NOISE] / 4096;
    value = value > 1 ? 1 : value < -1 ? -1 : value;
    const int16_t sample = (int16_t)lrint(value * 32767);
    rig->chunk[rig->held++] = (uint8_t)((uint16_t)sample & 0xFF);
    rig->chunk[rig->held++] = (uint8_t)((uint16_t)sample >> 8);
    rig->made++;
    if (rig->held >= rig->next_read)
        read_pipe(rig);
}

/* ---- the recorder ---- */

static enum LTC_TV_STANDARD standard_of(enum timecode_rate word_rate)
{
    const int fps = timecode_nominal_fps(word_rate);
    return fps == 24 ? LTC_TV_FILM_24 : fps == 25 ? LTC_TV_625_50 : LTC_TV_525_60;
}

static LTCFrame word_of(const struct rig *rig, int64_t frame)
{
    const struct timecode tc =
        timecode_from_frame(timecode_wrap(frame, rig->rate) / rig->pair, rig->word_rate);
    LTCFrame word = {0};
    word.frame_units = tc.ff % 10u & 15u;
    word.frame_tens = tc.ff / 10u & 3u;
    word.dfbit = timecode_is_drop(rig->word_rate) ? 1 : 0;
    word.secs_units = tc.ss % 10u & 15u;
    word.secs_tens = tc.ss / 10u & 7u;
    word.mins_units = tc.mm % 10u & 15u;
    word.mins_tens = tc.mm / 10u & 7u;
    word.hours_units = tc.hh % 10u & 15u;
    word.hours_tens = tc.hh / 10u & 3u;
    const uint32_t bits = rig->user_bits;
    word.user1 = bits & 0xFu;
    word.user2 = (bits >> 4) & 0xFu;
    word.user3 = (bits >> 8) & 0xFu;
    word.user4 = (bits >> 12) & 0xFu;
    word.user5 = (bits >> 16) & 0xFu;
    word.user6 = (bits >> 20) & 0xFu;
    word.user7 = (bits >> 24) & 0xFu;
    word.user8 = (uint8_t)(bits >> 28) & 0xFu;
    word.sync_word = 0xBFFC;
    ltc_frame_set_parity(&word, standard_of(rig->word_rate));
    return word;
}

static void change_level(struct rig *rig)
{
    const double db = sim_between(-40, -3);
    rig->level = pow(10, db / 20);
    rig->noise = rig->level * pow(10, -20.0 / 20);
}

/* One word's audio, or as much noise. The encoder's samples are 8 bits around 128, 3 dB below full scale. */
static void play_word(struct rig *rig, int64_t frame, double speed, bool silent)
{
    LTCFrame word = word_of(rig, frame);
    ltc_encoder_set_frame(rig->encoder, &word);
    for (int i = 0; i < 10; i++) {
        ltcsnd_sample_t *samples = NULL;
        assert_int_equal(ltc_encoder_encode_byte(rig->encoder, speed < 0 ? 9 - i : i, 1 / speed), 0);
        const int count = ltc_encoder_get_bufferptr(rig->encoder, &samples, 1);
        for (int j = 0; j < count; j++)
            put_sample(rig, silent ? 0 : ((double)samples[j] - 128) / 90.5 * rig->level);
    }
}

static void begin_piece(struct rig *rig, enum kind kind, double position, double speed)
{
    assert_true(rig->pieces < PIECES);
    rig->piece[rig->pieces++] =
        (struct piece){.kind = kind, .from = (double)rig->made, .position = position, .speed = speed};
}

/* A piece is played from where the last one ended, or from `position`. Returns the frame after it. */
static int64_t play_piece(struct rig *rig, enum kind kind, int64_t position, double speed, double seconds)
{
    begin_piece(rig, kind, (double)position, speed);
    const double end = (double)rig->made + seconds * rig->card_hz;
    double level_at = (double)rig->made + sim_between(0.5, 4) * rig->card_hz;
    while ((double)rig->made < end) {
        if ((double)rig->made > level_at) {
            change_level(rig);
            level_at += sim_between(0.5, 4) * rig->card_hz;
        }
        /* In reverse a word is heard while the position falls through its frame. */
        if (speed < 0)
            position -= rig->pair;
        play_word(rig, position, speed, kind == SILENT);
        if (speed > 0)
            position += rig->pair;
    }
    return position;
}

static void restart_stream(struct rig *rig)
{
    read_pipe(rig);
    /* The capture is gone for a while; no sample exists in between. */
    const double gap = sim_between(0.1, 3) * rig->card_hz;
    rig->made += (int64_t)gap;
    ltcwords_restart(rig->words);
    take_events(rig, tcmap_audio_restart(&rig->map));
    rig->read = mono_of(rig, (double)rig->made);
}

static double wind_speed(void)
{
    double speed;
    do
        speed = sim_chance(0.3) ? sim_between(0.1, 0.3) : sim_between(0.1, 2);
    while (fabs(speed - 1) < 0.03);
    return sim_chance(0.4) ? -speed : speed;
}

static void tally_wind(const struct rig *rig)
{
    const struct piece *piece = &rig->piece[rig->pieces - 1];
    const double speed = fabs(piece->speed);
    const bool reverse = piece->speed < 0;
    int at = 0;
    while (at < SPEEDS - 1 && speed >= speed_from[at + 1])
        at++;
    winds[reverse][at]++;
    const bool told = reverse ? piece->reverse_told : piece->shuttle_told;
    if (told && fabs(piece->told_speed - piece->speed) <= 0.03 * speed + 0.002)
        winds_told[reverse][at]++;
    else
        print_message("%s: winding at %.3f %s %.3f\n", timecode_rate_name(rig->rate), piece->speed,
                      told ? "was told as" : "was not told;", piece->told_speed);
}

/* The recorder's life: play, and now and then something else. */
static void play(struct rig *rig, double seconds)
{
    const int64_t day = timecode_frames_per_day(rig->rate);
    int64_t frame =
        sim_chance(0.4) ? day - (int64_t)sim_between(100, 1500) : (int64_t)sim_between(0, (double)day);
    frame -= frame % rig->pair;
    const double end = seconds * rig->card_hz;
    while ((double)rig->made < end) {
        frame = play_piece(rig, PLAY, frame, 1, sim_between(5, 15));
        const double chance = sim_unit();
        if (rig->calm || chance < 0.35) {
            frame = play_piece(rig, SILENT, frame, 1, sim_between(0.05, 4));
        } else if (chance < 0.55) { /* a jump, without a gap or over one */
            if (sim_chance(0.5))
                frame = play_piece(rig, SILENT, frame, 1, sim_between(0.05, 2));
            frame += (sim_chance(0.3) ? 1 : (int64_t)sim_between(-400000, 400000)) * rig->pair;
            frame = (frame % day + day) % day / rig->pair * rig->pair;
        } else if (chance < 0.7) { /* the stream ends and begins again; the recorder has run on, or not */
            begin_piece(rig, RESTART, (double)frame, 1);
            restart_stream(rig);
            frame = (int64_t)sim_between(0, (double)day) / rig->pair * rig->pair;
        } else {
            const double speed = wind_speed();
            frame = play_piece(rig, WIND, frame, speed, 6);
            tally_wind(rig);
            frame = (frame % day + day) % day / rig->pair * rig->pair;
        }
    }
    read_pipe(rig);
}

/* ---- checks ---- */

static double wrapped(double off, enum timecode_rate rate)
{
    const double day = (double)timecode_frames_per_day(rate);
    off = fmod(off, day);
    return off > day / 2 ? off - day : off < -day / 2 ? off + day : off;
}

static void assert_answer(struct rig *rig, int64_t mono, bool live)
{
    const struct tc_answer answer = tcmap_at(&rig->map, (mono_ns){mono});
    const double sample = sample_at(rig, mono);
    const struct piece *piece = piece_of(rig, sample);
    if (sample < 0 || answer.state == TC_NONE)
        return;
    if (answer.state == TC_HOLDOVER && (!rig->calm || !answer.bound_known))
        return; /* rests on the recorder having run on */
    if (piece->kind == WIND) {
        wound_locked++;
        print_message("%s: locked while wound at %.3f, %.3f s after its beginning\n",
                      timecode_rate_name(rig->rate), piece->speed, (sample - piece->from) / rig->card_hz);
        return;
    }
    const double truth = position_in(rig, piece, sample);
    const double off = wrapped((double)answer.frame + answer.fraction_uf * 1e-6 - truth, rig->rate);
    const double bound = (double)answer.bound_uf * 1e-6 + 2e-5;
    if (fabs(off) > bound) {
        if (answer.state == TC_LOCKED)
            outside++;
        else
            outside_held++;
        print_message(
            "outside: rate %s, off %.4f frames, bound %.4f, %s, %s, %.3f s into piece %d of kind %d\n",
            timecode_rate_name(rig->rate), off, bound, tc_state_name(answer.state), live ? "live" : "later",
            (sample - piece->from) / rig->card_hz, (int)(piece - rig->piece), (int)piece->kind);
    }
    if (answer.state != TC_LOCKED) {
        holdovers[rig->rate]++;
        return;
    }
    const double fraction = truth - floor(truth);
    const int64_t true_frame = timecode_wrap((int64_t)floor(truth), rig->rate);
    int64_t labelled;
    assert_int_equal(timecode_to_frame(answer.label, rig->rate, &labelled), 0);
    const bool is_exact = labelled == true_frame;
    const bool is_away = fraction > bound && 1 - fraction > bound;
    checked[rig->rate]++;
    exact[rig->rate] += is_exact;
    away[rig->rate] += is_away;
    away_exact[rig->rate] += is_away && is_exact;
    max_off[rig->rate] = fabs(off) > max_off[rig->rate] ? fabs(off) : max_off[rig->rate];
    sim_note(&bound_tally[rig->rate], (double)answer.bound_uf / 1000);
}

static void make_rig(struct rig *rig, enum timecode_rate rate, enum timecode_rate configured)
{
    static const int32_t card_rates[] = {48000, 48000, 44100};
    int32_t num, den;
    memset(rig, 0, sizeof *rig);
    rig->rate = rate;
    rig->configured = configured;
    rig->word_rate = timecode_word_rate(rate);
    rig->pair = timecode_nominal_fps(rate) / timecode_nominal_fps(rig->word_rate);
    rig->card_hz = card_rates[sim_bits() % 3];
    timecode_rate_fraction(rig->word_rate, &num, &den);
    /* The recorder runs fast or slow: its second has more or fewer of the card's samples. */
    const double recorder_hz = rig->card_hz * (1 + sim_between(-100e-6, 100e-6));
    rig->samples_per_word = recorder_hz * den / num;
    rig->card_ppm = sim_between(-100, 100);
    rig->start_ns = 5 * S;
    rig->latency_min = (int64_t)(sim_between(0, 5) * 1e6);
    rig->latency_max = rig->latency_min + (int64_t)(sim_between(1, 10) * 1e6);
    rig->calm = sim_chance(0.4);
    rig->user_bits = (uint32_t)sim_bits();
    rig->next_read = 777;
    change_level(rig);
    rig->encoder =
        ltc_encoder_create(recorder_hz, recorder_hz / rig->samples_per_word, standard_of(rig->word_rate), 0);
    assert_non_null(rig->encoder);
    assert_int_equal(ltc_encoder_set_buffersize(rig->encoder, recorder_hz, 2), 0);
    rig->words = ltcwords_new(rig->card_hz, (double)rig->card_hz * den / num);
    assert_non_null(rig->words);
    const struct tcmap_params params =
        tcmap_params_default(configured, rig->card_hz, rig->latency_min, rig->latency_max);
    assert_int_equal(tcmap_init(&rig->map, &params), 0);
}

static void run_rig(enum timecode_rate rate)
{
    static struct rig rig;
    make_rig(&rig, rate, rate);
    play(&rig, sim_between(60, 80));
    const int64_t end = rig.read;
    for (int i = 0; i < ASKED_MAX; i++)
        assert_answer(&rig, rig.start_ns + (int64_t)sim_between(0, (double)(end - rig.start_ns)), false);
    uint32_t bits = 0;
    assert_true(tcmap_user_bits(&rig.map, &bits));
    assert_int_equal(bits, rig.user_bits);
    assert_int_equal(rig.map.rejected, 0);
    ltcwords_free(rig.words);
    ltc_encoder_free(rig.encoder);
}

static void print_table(void)
{
    print_message("%llu words read, %llu wrong (where the level leaps)\n", (unsigned long long)words_seen,
                  (unsigned long long)words_wrong);
    print_message("%-9s %8s | %-28s | %-14s | %s\n", "rate", "locked", "bound, frames: p50  p99  max",
                  "frame exact", "away from edges");
    for (int r = 0; r < TIMECODE_RATES; r++) {
        const struct sim_tally *b = &bound_tally[r];
        print_message("%-9s %8llu | %8.3f %8.3f %8.3f    | %12.3f %% | %.3f %% of %llu; worst %.3f off\n",
                      timecode_rate_name((enum timecode_rate)r), (unsigned long long)checked[r],
                      sim_quantile_ms(b, 0.5), sim_quantile_ms(b, 0.99), b->max / 1000,
                      100.0 * (double)exact[r] / (double)checked[r],
                      100.0 * (double)away_exact[r] / (double)away[r], (unsigned long long)away[r],
                      max_off[r]);
    }
    for (int reverse = 0; reverse < 2; reverse++)
        for (int i = 0; i < SPEEDS; i++)
            print_message("%s at %.1f to %.1f: %u of %u told\n", reverse ? "reverse" : "winding",
                          speed_from[i], speed_from[i + 1], winds_told[reverse][i], winds[reverse][i]);
}

static void frames_are_exact(void **state)
{
    (void)state;
    sim_begin("io_ltc_frames");
    make_noise();
    const int rigs = sim_long() ? 40 : 4;
    for (int i = 0; i < rigs; i++)
        for (int r = 0; r < TIMECODE_RATES; r++)
            run_rig((enum timecode_rate)r);
    print_table();
    assert_int_equal(outside, 0);
    assert_int_equal(outside_held, 0);
    assert_int_equal(wound_locked, 0);
    assert_true((double)words_wrong <= 0.01 * (double)words_seen);
    for (int r = 0; r < TIMECODE_RATES; r++) {
        assert_true(away[r] > 300);
        assert_true((double)away_exact[r] >= 0.999 * (double)away[r]);
    }
    for (int reverse = 0; reverse < 2; reverse++)
        for (int i = 0; i < SPEEDS; i++)
            assert_int_equal(winds_told[reverse][i], winds[reverse][i]);
}

/* The recorder runs at another rate than the daemon is told: noticed, said, followed, and exact from then on. */
static void another_rate_is_noticed(void **state)
{
    (void)state;
    static const enum timecode_rate pairs[][2] = {
        {TC_RATE_24, TC_RATE_25},        {TC_RATE_30, TC_RATE_25},     {TC_RATE_25, TC_RATE_29_97_DF},
        {TC_RATE_29_97_NDF, TC_RATE_30}, {TC_RATE_23_976, TC_RATE_24}, {TC_RATE_29_97_DF, TC_RATE_29_97_NDF},
        {TC_RATE_29_97_NDF, TC_RATE_25}};
    static struct rig rig;
    for (size_t i = 0; i < sizeof pairs / sizeof pairs[0]; i++) {
        make_rig(&rig, pairs[i][0], pairs[i][1]);
        play_piece(&rig, PLAY, 10000, 1, 20);
        read_pipe(&rig);
        /* The drop-frame flag alone differs: told as that. */
        const bool flag_alone = pairs[i][0] == TC_RATE_29_97_DF && pairs[i][1] == TC_RATE_29_97_NDF;
        assert_true(rig.rate_told != flag_alone);
        assert_int_equal(rig.map.rate, rig.rate);
        const uint64_t before = checked[rig.rate];
        for (int j = 0; j < 200; j++)
            assert_answer(&rig, rig.read - (int64_t)sim_between(100, 5000) * MS, false);
        assert_true(checked[rig.rate] > before + 150);
        ltcwords_free(rig.words);
        ltc_encoder_free(rig.encoder);
    }
    assert_int_equal(outside, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(frames_are_exact),
                                       cmocka_unit_test(another_rate_is_noticed)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
