/*
 * lines, nmea and columns over any bytes: random noise, kept sentences cut and mangled, in random chunks. Whatever comes, nothing is read
 * outside the line (each is copied to memory of just its size, so that a sanitizer sees it), results are in their ranges, and the same bytes
 * give the same lines however they are cut into chunks.
 */
#include <stdlib.h>
#include <string.h>

#include "core/channel.h"
#include "core/columns.h"
#include "core/lines.h"
#include "core/nmea.h"
#include "property/core_random.h"
#include "unit/core_near.h"

enum { KEPT_MAX = 400, ROUNDS = 20000 };

static char kept[KEPT_MAX][LINES_MAX];
static int kept_count;
static struct columns columns;
static long verdicts[NMEA_VERDICTS];

static void load(const char *name)
{
    char path[512];

    (void)snprintf(path, sizeof path, "%s/nmea/%s", TEST_DATA_DIR, name);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    while (kept_count < KEPT_MAX && fgets(kept[kept_count], LINES_MAX, file) != NULL) {
        kept[kept_count][strcspn(kept[kept_count], "\n")] = '\0';
        kept_count += kept[kept_count][0] != '#';
    }
    (void)fclose(file);
}

static void check_channel(void *ctx, int channel, double value)
{
    (void)ctx;
    assert_in_range(channel, 0, CHANNEL_COUNT - 1);
    assert_true(isfinite(value));
    if (channel_kind(channel) == CHANNEL_LATITUDE) {
        assert_true(fabs(value) <= 90.0);
    } else if (channel_kind(channel) == CHANNEL_LONGITUDE) {
        assert_true(fabs(value) <= 180.0);
    }
}

static void check_value(void *ctx, const char *name, double value)
{
    (void)ctx;
    assert_non_null(name);
    assert_true(isfinite(value));
}

static void check_line(void *ctx, const char *line, size_t len)
{
    struct nmea_sentence s;
    struct nmea_options options = {.checksum_optional = (random_bits() & 1) != 0};
    char *exact = malloc(len);

    (void)ctx;
    memcpy(exact, line, len);
    enum nmea_verdict verdict = nmea_decode(exact, len, &options, &s);
    verdicts[verdict]++;
    if (verdict == NMEA_OK || verdict == NMEA_NO_DATA) {
        nmea_to_channels(&s, NMEA_AS_SHIP, check_channel, NULL);
        nmea_to_channels(&s, NMEA_AS_VEHICLE, check_channel, NULL);
        nmea_each_value(&s, check_value, NULL);
    }
    columns_decode(&columns, exact, len, check_channel, NULL);
    free(exact);
}

/* A kept sentence, or a piece of one, with a few bytes changed, and sometimes a checksum that is right again. */
static size_t mangled(char *out)
{
    const char *from = kept[random_below(kept_count)];
    size_t len = strlen(from);

    memcpy(out, from, len);
    for (int i = random_below(4); i > 0; i--) {
        static const char likely[] = "0123456789,.-*$\\!AVNSEWT \0\r\n";
        out[random_below((int)len)] =
            random_below(3) == 0 ? (char)random_bits() : likely[random_below(sizeof likely)];
    }
    if (random_below(3) == 0) {
        len = 1 + (size_t)random_below((int)len);
    }
    if (random_below(2) == 0 && len > 4 && out[0] == '$') {
        unsigned sum = 0;
        for (size_t i = 1; i < len - 3; i++) {
            sum ^= (unsigned char)out[i];
        }
        char hex[4];
        (void)snprintf(hex, sizeof hex, "*%02X", sum);
        memcpy(out + len - 3, hex, 3);
    }
    return len;
}

static void any_bytes_survive(void **state)
{
    struct lines lines;
    char chunk[LINES_MAX * 3];

    (void)state;
    memset(&lines, 0, sizeof lines);
    for (int round = 0; round < ROUNDS; round++) {
        size_t len = 0;
        if (random_below(10) == 0) {
            len = (size_t)random_below(sizeof chunk);
            for (size_t i = 0; i < len; i++) {
                chunk[i] = (char)random_bits();
            }
        } else {
            len = mangled(chunk);
            chunk[len++] = '\n';
        }
        lines_feed(&lines, chunk, len, check_line, NULL);
    }
    for (int i = 0; i < NMEA_VERDICTS; i++) {
        printf("%-18s %ld\n", nmea_verdict_name((enum nmea_verdict)i), verdicts[i]);
        assert_true(verdicts[i] > 0); /* every way out was taken */
    }
}

struct hash {
    uint64_t value;
    int count;
};

static void hash_line(void *ctx, const char *line, size_t len)
{
    struct hash *hash = ctx;

    for (size_t i = 0; i < len; i++) {
        hash->value = (hash->value ^ (unsigned char)line[i]) * UINT64_C(1099511628211);
    }
    hash->value *= 31;
    hash->count++;
}

static void chunks_do_not_matter(void **state)
{
    static char stream[20000];

    (void)state;
    for (int round = 0; round < 200; round++) {
        struct lines lines;
        struct hash whole = {0};
        struct hash parts = {0};
        size_t len = 0;
        while (len < sizeof stream - LINES_MAX) {
            len += mangled(stream + len);
            if (random_below(20) != 0) {
                stream[len++] = "\n\r"[random_below(2)];
            }
        }
        memset(&lines, 0, sizeof lines);
        lines_feed(&lines, stream, len, hash_line, &whole);
        lines_end(&lines, hash_line, &whole);
        uint64_t overlong = lines.overlong;
        memset(&lines, 0, sizeof lines);
        for (size_t at = 0; at < len;) {
            size_t step = 1 + (size_t)random_below(300);
            step = step < len - at ? step : len - at;
            lines_feed(&lines, stream + at, step, hash_line, &parts);
            at += step;
        }
        lines_end(&lines, hash_line, &parts);
        assert_int_equal(parts.count, whole.count);
        assert_true(parts.value == whole.value);
        assert_int_equal(lines.overlong, overlong);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(any_bytes_survive),
        cmocka_unit_test(chunks_do_not_matter),
    };
    static const char *const files[] = {"valid.txt",  "nodata.txt", "unknown.txt",
                                        "badsum.txt", "nosum.txt",  "malformed.txt"};
    char error[COLUMNS_ERROR_MAX];
    struct channel_names names = {.count = 0};

    random_begin(20310304);
    for (int i = 0; i < 6; i++) {
        load(files[i]);
    }
    columns_set_column(&columns, &names, "2", "vehicle.depth_m ft", error);
    columns_set_column(&columns, &names, "4", "x.any", error);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
