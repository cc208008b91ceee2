/*
 * fuzz_nmea: any bytes, in chunks the first byte chooses, through lines, NMEA, channels and dates. Aborts on what must never be: a channel that
 * is none, a value that is not finite, a position off the globe, and lines that depend on how the stream was cut.
 */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "core/channel.h"
#include "core/lines.h"
#include "core/nmea.h"

struct run {
    bool checksum_optional;
    uint64_t lines;
    uint64_t hash;
    struct nmea_calendar calendar;
};

static void on_channel(void *ctx, int channel, double value)
{
    (void)ctx;
    double most = channel_kind(channel) == CHANNEL_LATITUDE ? 90.0 : 180.0;
    bool angular = channel_kind(channel) == CHANNEL_LATITUDE || channel_kind(channel) == CHANNEL_LONGITUDE;

    if (channel_name(NULL, channel) == NULL || !isfinite(value) || (angular && fabs(value) > most)) {
        abort();
    }
}

static void on_value(void *ctx, const char *name, double value)
{
    (void)ctx;
    if (strlen(name) >= 32 || !isfinite(value)) {
        abort();
    }
}

static void on_line(void *ctx, const char *line, size_t len)
{
    struct run *run = ctx;
    struct nmea_options options = {.checksum_optional = run->checksum_optional};
    struct nmea_sentence sentence;
    utc_ns utc;
    char *exact = malloc(len); /* so that a sanitizer sees a byte too far */

    if (exact == NULL || len == 0 || len > LINES_MAX) {
        abort();
    }
    memcpy(exact, line, len);
    run->lines++;
    for (size_t i = 0; i < len; i++) {
        run->hash = (run->hash ^ (uint8_t)line[i]) * UINT64_C(1099511628211);
    }
    enum nmea_verdict verdict = nmea_decode(exact, len, &options, &sentence);
    if (verdict == NMEA_OK || verdict == NMEA_NO_DATA) {
        nmea_to_channels(&sentence, NMEA_AS_SHIP, on_channel, NULL);
        nmea_to_channels(&sentence, NMEA_AS_VEHICLE, on_channel, NULL);
        nmea_each_value(&sentence, on_value, NULL);
        (void)nmea_utc(&run->calendar, &sentence, (mono_ns){(int64_t)run->lines * NS_PER_S}, &utc);
    }
    free(exact);
}

static struct run feed(const uint8_t *data, size_t size, size_t step, bool checksum_optional)
{
    struct run run = {.checksum_optional = checksum_optional};
    struct lines lines;

    memset(&lines, 0, sizeof lines);
    for (size_t at = 0; at < size; at += step) {
        lines_feed(&lines, data + at, size - at < step ? size - at : step, on_line, &run);
    }
    lines_end(&lines, on_line, &run);
    return run;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1) {
        return 0;
    }
    struct run whole = feed(data + 1, size - 1, size, true);
    struct run cut = feed(data + 1, size - 1, 1 + data[0] % 64, false);
    if (whole.lines != cut.lines || whole.hash != cut.hash) {
        abort();
    }
    return 0;
}
