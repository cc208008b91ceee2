/*
 * The core's speed:  bench_core nmea|clockmap|sampleblock|ltc [ROUNDS] [SCALE]
 *
 * Each round runs ours and its floor in turn over the same bytes. Figures are of processor time.
 */
#include "bench.h"

#include "core/channel.h"
#include "core/clockmap.h"
#include "core/lines.h"
#include "core/nmea.h"
#include "core/sampleblock.h"
#include "core/tcmap.h"
#include "core/timecode.h"

#include <ltc.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* ---- NMEA: lines to stored samples, beside finding each line's end and its checksum ---- */

static size_t say_sentence(char *out, const char *body)
{
    unsigned sum = 0;
    for (const char *at = body; *at != '\0'; at++)
        sum ^= (unsigned char)*at;
    return (size_t)sprintf(out, "$%s*%02X\r\n", body, sum);
}

static size_t make_sentences(char *out, size_t count)
{
    size_t used = 0;
    for (size_t i = 0; i < count; i++) {
        char body[96];
        int n = (int)(i % 100);
        switch (i % 6) {
        case 0:
            sprintf(body, "GPGGA,1235%02d.%02d,3642.5%03d,S,12359.1%03d,W,2,12,0.8,0.0,M,-33.1,M,1.0,0120",
                    n % 60, n, n, n);
            break;
        case 1:
            sprintf(body, "HEHDT,27%d.%02d,T", n % 10, n);
            break;
        case 2:
            sprintf(body, "YXXDR,P,245.%03d,B,DEPTHPRESS,A,-1.%02d,D,PITCH,A,0.%02d,D,ROLL,C,2.1%02d,C,TEMP",
                    n, n, n, n);
            break;
        case 3:
            sprintf(body, "SDDBT,0036.%d,f,00%02d.1,M,0006.0,F", n % 10, n % 60);
            break;
        case 4:
            sprintf(body, "GPVTG,054.%d,T,034.4,M,005.%d,N,010.2,K", n % 10, n % 10);
            break;
        default:
            sprintf(body, "GPZDA,2015%02d.00,04,07,2030,00,00", n % 60);
        }
        used += say_sentence(out + used, body);
    }
    return used;
}

struct nmea_run {
    struct channel_set *set;
    int64_t at_ns;
    uint64_t values;
};

static void on_value(void *ctx, int channel, double value)
{
    struct nmea_run *run = ctx;
    run->values++;
    channel_add(run->set, channel, 0, (mono_ns){run->at_ns}, value);
}

static void on_line(void *ctx, const char *line, size_t len)
{
    struct nmea_run *run = ctx;
    struct nmea_sentence sentence;
    run->at_ns += 1000000;
    if (nmea_decode(line, len, NULL, &sentence) == NMEA_OK)
        nmea_to_channels(&sentence, NMEA_AS_VEHICLE, on_value, run);
}

static double floor_of(const char *bytes, size_t len, unsigned *sums)
{
    double start = bench_cpu_s();
    for (const char *at = bytes; at < bytes + len;) {
        const char *end = memchr(at, '\n', (size_t)(bytes + len - at));
        unsigned char sum = 0;
        for (const char *c = at + 1; c < end && *c != '*'; c++)
            sum = (unsigned char)(sum ^ (unsigned char)*c);
        *sums += sum;
        at = end + 1;
    }
    return bench_cpu_s() - start;
}

static int bench_nmea(int rounds, double scale)
{
    size_t count = (size_t)(1e6 * scale);
    char *bytes = malloc(count * 100 + 100);
    struct nmea_run run = {.set = calloc(1, sizeof *run.set)};
    if (bytes == NULL || run.set == NULL)
        return 1;
    size_t len = make_sentences(bytes, count);
    static struct lines lines;
    unsigned sums = 0;
    channel_set_init(run.set);
    for (int round = 0; round < rounds; round++) {
        double start = bench_cpu_s();
        for (size_t at = 0; at < len; at += 4096)
            lines_feed(&lines, bytes + at, len - at < 4096 ? len - at : 4096, on_line, &run);
        double ours = bench_cpu_s() - start;
        bench_say("NMEA to samples, beside memchr and checksum", "sentences/s", (double)count / ours,
                  (double)count / floor_of(bytes, len, &sums), 0.35, "rate");
    }
    fprintf(stderr, "%llu values, sum %u\n", (unsigned long long)run.values, sums & 255);
    free(bytes);
    free(run.set);
    return 0;
}

/* ---- clock map ---- */

static int bench_clockmap(int rounds, double scale)
{
    struct clockmap_params params = clockmap_params_pad();
    struct clockmap map;
    struct clockmap_interval got = {0, 0};
    int64_t sum = 0, tick = 0;
    int calls = (int)(20000 * scale) + 100;
    clockmap_init(&map, &params);
    for (int64_t i = 0; i < 1000; i++) {
        tick = i * 500000;
        clockmap_two_way(&map, tick * 1000, tick + 900, tick + 1000, tick * 1000 + 3000000, 0, 0);
    }
    for (int round = 0; round < rounds; round++) {
        double start = bench_cpu_s();
        for (int i = 0; i < calls; i++)
            sum += clockmap_at(&map, tick - i, &got) ? got.hi & 1 : 0;
        double query = (bench_cpu_s() - start) / calls * 1e6;
        start = bench_cpu_s();
        for (int i = 0; i < calls / 4; i++) {
            tick += 500000;
            clockmap_two_way(&map, tick * 1000, tick + 900, tick + 1000, tick * 1000 + 3000000, 0, 0);
        }
        double add = (bench_cpu_s() - start) / (calls / 4) * 1e6;
        bench_say("clock map: query, full window", "us", query, 0, 1.0, "most");
        bench_say("clock map: update, full window", "us", add, 0, 1.0, "most");
    }
    fprintf(stderr, "%lld\n", (long long)(sum & 1));
    return 0;
}

/* ---- telemetry blocks ---- */

static int bench_sampleblock(int rounds, double scale)
{
    enum { COUNT = 512 };
    static struct sampleblock_sample samples[COUNT];
    static uint8_t blob[SAMPLEBLOCK_ROOM(COUNT)];
    int blocks = (int)(2000 * scale) + 10;
    for (int round = 0; round < rounds; round++) {
        size_t bytes = 0, used = 0;
        double start = bench_cpu_s();
        for (int block = 0; block < blocks; block++) {
            for (int i = 0; i < COUNT; i++) {
                double depth = 1200 + 3 * sin((block * COUNT + i) / 900.0);
                samples[i].at.ns = ((int64_t)block * COUNT + i) * 100000000 + (i * 7919 % 400) * 1000;
                samples[i].value = floor(depth * 100) / 100;
            }
            if (sampleblock_encode(samples, COUNT, blob, sizeof blob, &used) != SAMPLEBLOCK_OK)
                return 1;
            bytes += used;
        }
        double ours = bench_cpu_s() - start;
        bench_say("telemetry: bytes a sample, 10 Hz depth in cm", "bytes",
                  (double)bytes / ((double)blocks * COUNT), 16, 1, "show");
        bench_say("telemetry: packing", "samples/s", (double)blocks * COUNT / ours, 0, 0, "show");
    }
    return 0;
}

/* ---- timecode audio ---- */

static size_t make_audio(ltcsnd_sample_t *out, size_t room, double fps, enum LTC_TV_STANDARD standard,
                         int frames)
{
    LTCEncoder *encoder = ltc_encoder_create(48000, fps, standard, 0);
    size_t used = 0;
    for (int i = 0; i < frames; i++) {
        ltc_encoder_encode_frame(encoder);
        ltcsnd_sample_t *piece = NULL;
        int len = ltc_encoder_get_bufferptr(encoder, &piece, 1);
        if (len <= 0 || used + (size_t)len > room)
            break;
        memcpy(out + used, piece, (size_t)len);
        used += (size_t)len;
        ltc_encoder_inc_timecode(encoder);
    }
    ltc_encoder_free(encoder);
    return used;
}

/* With a map, as the daemon does it; without, libltc alone. Returns the words found. */
static int decode_audio(const ltcsnd_sample_t *audio, size_t len, double fps, struct tcmap *map)
{
    enum { CHUNK = 960 };
    LTCDecoder *decoder = ltc_decoder_create((int)(48000 / fps), 32);
    LTCFrameExt frame;
    int words = 0;
    for (size_t at = 0; at + CHUNK <= len; at += CHUNK) {
        static ltcsnd_sample_t chunk[CHUNK];
        memcpy(chunk, audio + at, CHUNK);
        ltc_decoder_write(decoder, chunk, CHUNK, (ltc_off_t)at);
        if (map != NULL)
            tcmap_chunk(map, (int64_t)at + CHUNK,
                        (mono_ns){(int64_t)((double)(at + CHUNK) / 48000 * 1e9) + 5000000});
        while (ltc_decoder_read(decoder, &frame) > 0) {
            words++;
            if (map == NULL)
                continue;
            struct tcmap_word word = {
                .off_start = frame.off_start, .off_end = frame.off_end, .reverse = frame.reverse != 0};
            memcpy(word.packed, &frame.ltc, sizeof word.packed);
            tcmap_word(map, &word);
        }
    }
    ltc_decoder_free(decoder);
    return words;
}

static int bench_ltc(int rounds, double scale)
{
    static const struct {
        const char *name;
        double fps;
        enum LTC_TV_STANDARD standard;
        enum timecode_rate rate;
    } cases[] = {
        {"LTC at 25 to timecode, beside libltc alone", 25, LTC_TV_625_50, TC_RATE_25},
        {"LTC at 29.97 to timecode, beside libltc alone", 30000.0 / 1001, LTC_TV_525_60, TC_RATE_29_97_NDF}};
    size_t room = (size_t)(48000 * 600 * scale) + 48000;
    ltcsnd_sample_t *audio = malloc(room);
    struct tcmap *map = malloc(sizeof *map);
    if (audio == NULL || map == NULL)
        return 1;
    for (size_t i = 0; i < 2; i++) {
        size_t len =
            make_audio(audio, room, cases[i].fps, cases[i].standard, (int)(cases[i].fps * 600 * scale));
        struct tcmap_params params = tcmap_params_default(cases[i].rate, 48000, 0, 10000000);
        for (int round = 0; round < rounds; round++) {
            tcmap_init(map, &params);
            double start = bench_cpu_s();
            int words = decode_audio(audio, len, cases[i].fps, map);
            double ours = bench_cpu_s() - start;
            start = bench_cpu_s();
            int alone = decode_audio(audio, len, cases[i].fps, NULL);
            double floor = bench_cpu_s() - start;
            if (words != alone || words == 0)
                return 1;
            bench_say(cases[i].name, "times real time", (double)len / 48000 / ours,
                      (double)len / 48000 / floor, 0.9, "rate");
        }
    }
    free(audio);
    free(map);
    return 0;
}

int main(int argc, char **argv)
{
    int rounds = argc > 2 ? atoi(argv[2]) : 5;
    double scale = argc > 3 ? atof(argv[3]) : 1;
    if (argc > 1 && strcmp(argv[1], "nmea") == 0)
        return bench_nmea(rounds, scale);
    if (argc > 1 && strcmp(argv[1], "clockmap") == 0)
        return bench_clockmap(rounds, scale);
    if (argc > 1 && strcmp(argv[1], "sampleblock") == 0)
        return bench_sampleblock(rounds, scale);
    if (argc > 1 && strcmp(argv[1], "ltc") == 0)
        return bench_ltc(rounds, scale);
    fprintf(stderr, "usage: bench_core nmea|clockmap|sampleblock|ltc [ROUNDS] [SCALE]\n");
    return 2;
}
