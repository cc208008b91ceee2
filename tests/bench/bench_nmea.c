/*
 * NMEA lines to stored samples, beside finding each line's end and its checksum:  bench_nmea [ROUNDS] [SCALE] [grow]
 *                                                                                 bench_nmea sentences COUNT
 *
 * Full work: a million sentences of six kinds, in chunks of 4 KiB as a feed reads them. `sentences` prints some, for other decoders to read.
 */
#include "core_bench.h"

#include "core/channel.h"
#include "core/lines.h"
#include "core/nmea.h"

enum { CHUNK = 4096 };

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

/* In a place of its own: where the linker put it by chance made it up to twice as slow. */
__attribute__((noinline, aligned(64))) static double floor_of(const char *bytes, size_t len, unsigned *sums)
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

/* `count` sentences; NULL where memory is short. */
static char *sentences(size_t count, size_t *len)
{
    char *bytes = malloc(count * 100 + 100);
    if (bytes != NULL)
        *len = make_sentences(bytes, count);
    return bytes;
}

static double ours_of(const char *bytes, size_t len, struct nmea_run *run)
{
    static struct lines lines;
    double start = bench_cpu_s();
    for (size_t at = 0; at < len; at += CHUNK)
        lines_feed(&lines, bytes + at, len - at < CHUNK ? len - at : CHUNK, on_line, run);
    return bench_cpu_s() - start;
}

static int rows(int rounds, double scale)
{
    static struct channel_set set;
    struct nmea_run run = {.set = &set};
    size_t count = (size_t)(1e6 * scale), len = 0;
    char *bytes = sentences(count, &len);
    unsigned sums = 0;
    if (bytes == NULL)
        return 1;
    channel_set_init(&set);
    for (int round = 0; round < rounds; round++) {
        double ours = ours_of(bytes, len, &run);
        bench_say("NMEA to samples, beside memchr and checksum", "sentences/s", (double)count / ours,
                  (double)count / floor_of(bytes, len, &sums), 0.35, "rate");
    }
    fprintf(stderr, "%llu values, sum %u\n", (unsigned long long)run.values, sums & 255);
    free(bytes);
    return 0;
}

static double seconds(double scale)
{
    static struct channel_set set;
    struct nmea_run run = {.set = &set};
    size_t len = 0;
    char *bytes = sentences((size_t)(1e6 * scale), &len);
    if (bytes == NULL)
        return -1;
    channel_set_init(&set);
    double took = ours_of(bytes, len, &run);
    free(bytes);
    return took;
}

static int print_sentences(size_t count)
{
    size_t len = 0;
    char *bytes = sentences(count, &len);
    if (bytes == NULL || fwrite(bytes, 1, len, stdout) != len)
        return 1;
    free(bytes);
    return 0;
}

int main(int argc, char **argv)
{
    const struct core_bench bench = {"NMEA", rows, seconds};
    if (argc == 3 && strcmp(argv[1], "sentences") == 0)
        return print_sentences((size_t)atol(argv[2]));
    return core_bench_main(&bench, argc, argv);
}
