/* Telemetry packed into blocks: bytes and time a sample:  bench_sampleblock [ROUNDS] [SCALE] [grow] */
#include "core_bench.h"

#include "core/sampleblock.h"

enum { COUNT = 512 };

/* Seconds for a number of blocks of a vehicle's depth, 10 Hz in cm; their bytes are added up. Below 0 where packing fails. */
static double pack(int blocks, size_t *bytes)
{
    static struct sampleblock_sample samples[COUNT];
    static uint8_t blob[SAMPLEBLOCK_ROOM(COUNT)];
    size_t used = 0;
    double start = bench_cpu_s();
    for (int block = 0; block < blocks; block++) {
        for (int i = 0; i < COUNT; i++) {
            double depth = 1200 + 3 * sin((block * COUNT + i) / 900.0);
            samples[i].at.ns = ((int64_t)block * COUNT + i) * 100000000 + (i * 7919 % 400) * 1000;
            samples[i].value = floor(depth * 100) / 100;
        }
        if (sampleblock_encode(samples, COUNT, blob, sizeof blob, &used) != SAMPLEBLOCK_OK)
            return -1;
        *bytes += used;
    }
    return bench_cpu_s() - start;
}

static int rows(int rounds, double scale)
{
    const int blocks = (int)(2000 * scale) + 10;
    const double samples = (double)blocks * COUNT;
    for (int round = 0; round < rounds; round++) {
        size_t bytes = 0;
        double took = pack(blocks, &bytes);
        if (took < 0)
            return 1;
        bench_say("telemetry: bytes a sample, 10 Hz depth in cm", "bytes", (double)bytes / samples, 16, 1,
                  "show");
        bench_say("telemetry: packing", "samples/s", samples / took, 0, 0, "show");
    }
    return 0;
}

static double seconds(double scale)
{
    size_t bytes = 0;
    return pack((int)(2000 * scale) + 1, &bytes);
}

int main(int argc, char **argv)
{
    const struct core_bench bench = {"telemetry packing", rows, seconds};
    return core_bench_main(&bench, argc, argv);
}
