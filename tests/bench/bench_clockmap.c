/*
 * The clock map of a keypad with its window full, asked and given pongs:  bench_clockmap [ROUNDS] [SCALE] [grow]
 *                                                                         bench_clockmap calls COUNT
 *
 * The pad runs 2,000 ppm fast and wanders; pings go out twice a second and take from 0.2 to 0.8 ms each way, one in ten back up to 5 ms. `calls` gives so many and asks so many
 * times and times nothing: for counting instructions.
 */
#include "core_bench.h"

#include "core/clockmap.h"

struct pad {
    struct clockmap map;
    uint64_t chance;
    int64_t tick;
    double host_ns, drift;
};

/* 0 <= value < 1 (the generator of D. Knuth's MMIX, from memory) */
static double chance(struct pad *pad)
{
    pad->chance = pad->chance * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (double)(pad->chance >> 11) * 0x1p-53;
}

struct pong {
    int64_t sent, tick, got;
};

static struct pong next_pong(struct pad *pad)
{
    pad->drift += (chance(pad) - 0.5) * 4e-6;
    pad->host_ns += 0.5e9 * (1 - pad->drift);
    pad->tick += 500000;
    const double out = 0.2e6 + chance(pad) * 0.6e6;
    const double back = 0.2e6 + chance(pad) * 0.6e6 + (chance(pad) < 0.1 ? chance(pad) * 4.4e6 : 0);
    return (struct pong){(int64_t)(pad->host_ns - out), pad->tick, (int64_t)(pad->host_ns + back)};
}

static void take(struct pad *pad, struct pong pong)
{
    clockmap_two_way(&pad->map, pong.sent, pong.tick - 100, pong.tick, pong.got, 0, 0);
}

static void start_pad(struct pad *pad)
{
    const struct clockmap_params params = clockmap_params_pad();
    *pad = (struct pad){.chance = 20310304, .drift = 0.002};
    clockmap_init(&pad->map, &params);
}

/* Seconds that a number of pongs take; they are made beforehand. */
static double take_many(struct pad *pad, size_t count)
{
    struct pong *pongs = malloc(count * sizeof *pongs);
    if (pongs == NULL)
        return -1;
    for (size_t i = 0; i < count; i++)
        pongs[i] = next_pong(pad);
    double start = bench_cpu_s();
    for (size_t i = 0; i < count; i++)
        take(pad, pongs[i]);
    double took = bench_cpu_s() - start;
    free(pongs);
    return took;
}

/* Seconds that a number of questions take, over the newest second. */
static double ask_many(const struct pad *pad, size_t count, int64_t *sum)
{
    struct clockmap_interval got;
    double start = bench_cpu_s();
    for (size_t i = 0; i < count; i++)
        *sum += clockmap_at(&pad->map, pad->tick - (int64_t)(i * 997 % 1000000), &got) ? got.hi & 1 : 0;
    return bench_cpu_s() - start;
}

static int rows(int rounds, double scale)
{
    static struct pad pad;
    const size_t asked = (size_t)(400000 * scale) + 100, given = (size_t)(40000 * scale) + 100;
    int64_t sum = 0;
    start_pad(&pad);
    take_many(&pad, 2000);
    for (int round = 0; round < rounds; round++) {
        bench_say("clock map: query, full window", "us", ask_many(&pad, asked, &sum) / (double)asked * 1e6, 0,
                  1.0, "most");
        bench_say("clock map: update, full window", "us", take_many(&pad, given) / (double)given * 1e6, 0,
                  1.0, "most");
    }
    fprintf(stderr, "steps %u, sum %lld\n", pad.map.steps, (long long)sum);
    return pad.map.steps == 0 ? 0 : 1;
}

static double seconds(double scale)
{
    static struct pad pad;
    start_pad(&pad);
    return take_many(&pad, (size_t)(200000 * scale));
}

static int call(size_t count)
{
    static struct pad pad;
    int64_t sum = 0;
    start_pad(&pad);
    return take_many(&pad, count) >= 0 && ask_many(&pad, count, &sum) >= 0 && pad.map.steps == 0 ? 0 : 1;
}

int main(int argc, char **argv)
{
    const struct core_bench bench = {"clock map", rows, seconds};
    if (argc == 3 && strcmp(argv[1], "calls") == 0)
        return call((size_t)atol(argv[2]));
    return core_bench_main(&bench, argc, argv);
}
