/* Any bytes as a block of samples out of a database: refused, or its samples are finite, as many as it says, and encode to a block again. */
#include "core/sampleblock.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static uint32_t crc32_of(const uint8_t *bytes, size_t len)
{
    uint32_t crc = UINT32_MAX;
    for (size_t i = 0; i < len; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc >> 1 ^ ((crc & 1) != 0 ? UINT32_C(0xEDB88320) : 0);
    }
    return ~crc;
}

static void read_block(const uint8_t *blob, size_t len)
{
    static struct sampleblock_sample samples[4096];
    static uint8_t again[SAMPLEBLOCK_ROOM(4096)];
    struct sampleblock_reader reader;
    size_t count = 0, used = 0;
    enum sampleblock_verdict verdict = sampleblock_open(&reader, blob, len);
    if (sampleblock_verdict_name(verdict)[0] == '\0')
        abort();
    if (verdict != SAMPLEBLOCK_OK || reader.count > 4096)
        return;
    while (sampleblock_next(&reader, &samples[count]))
        if (!isfinite(samples[count++].value) || count > reader.count)
            abort();
    if (count != reader.count ||
        sampleblock_encode(samples, count, again, sizeof again, &used) != SAMPLEBLOCK_OK ||
        sampleblock_open(&reader, again, used) != SAMPLEBLOCK_OK || reader.count != count)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    uint8_t *blob = malloc(size + 4);
    if (blob == NULL)
        abort();
    memcpy(blob, data, size);
    read_block(blob, size);
    /* the same with a check that matches, so that what lies behind it is reached */
    uint32_t crc = crc32_of(data, size);
    for (size_t i = 0; i < 4; i++)
        blob[size + i] = (uint8_t)(crc >> 8 * i);
    read_block(blob, size + 4);
    free(blob);
    return 0;
}
