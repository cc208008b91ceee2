#include "core/entry.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

static const char *const type_names[ENTRY_TYPES] = {
    [ENTRY_MARKER] = "marker",
    [ENTRY_SETTLED] = "settled",
    [ENTRY_SIGHTING] = "sighting",
    [ENTRY_SPAN] = "span",
    [ENTRY_SAMPLE] = "sample",
    [ENTRY_IDENTIFICATION] = "identification",
    [ENTRY_REMARK] = "remark",
    [ENTRY_STRIKE] = "strike",
    [ENTRY_LINK] = "link",
    [ENTRY_DIVE] = "dive",
    [ENTRY_SEAT] = "seat",
    [ENTRY_PAD] = "pad",
    [ENTRY_FEED] = "feed",
    [ENTRY_CLOCK] = "clock",
    [ENTRY_TIMECODE] = "timecode",
    [ENTRY_FAULT] = "fault",
    [ENTRY_MEASUREMENT] = "measurement",
};

const char *entry_type_name(enum entry_type type)
{
    return type < ENTRY_TYPES ? type_names[type] : "unknown";
}

enum entry_type entry_type_find(const char *name)
{
    for (int i = 0; i < ENTRY_TYPES; i++)
        if (strcmp(type_names[i], name) == 0)
            return (enum entry_type)i;
    return ENTRY_TYPES;
}

const char *clock_trust_name(enum clock_trust trust)
{
    static const char *const names[] = {"none", "unsynced", "holdover", "synced"};
    return names[trust];
}

const char *timecode_trust_name(enum timecode_trust trust)
{
    static const char *const names[] = {"none", "holdover", "locked"};
    return names[trust];
}

const char *reading_method_name(enum reading_method method)
{
    static const char *const names[] = {"interpolated", "last", "filtered", "derived"};
    return names[method];
}

const char *marker_origin_name(enum marker_origin origin)
{
    static const char *const names[] = {"key", "soft", "late"};
    return names[origin];
}

static size_t telemetry_end(size_t base, size_t telemetry_offset, uint32_t reading_count)
{
    return base + telemetry_offset + offsetof(struct marker_telemetry, reading) +
           (size_t)reading_count * sizeof(struct marker_reading);
}

size_t entry_size(const struct entry *entry)
{
    size_t base = offsetof(struct entry, of);
    switch (entry->type) {
    case ENTRY_MARKER:
        return telemetry_end(base, offsetof(struct marker, telemetry),
                             entry->of.marker.telemetry.reading_count);
    case ENTRY_SETTLED:
        return telemetry_end(base, offsetof(struct settled, telemetry),
                             entry->of.settled.telemetry.reading_count);
    case ENTRY_SIGHTING:
        return base + sizeof entry->of.sighting;
    case ENTRY_SPAN:
        return base + sizeof entry->of.span;
    case ENTRY_SAMPLE:
        return base + sizeof entry->of.sample;
    case ENTRY_IDENTIFICATION:
        return base + sizeof entry->of.identification;
    case ENTRY_MEASUREMENT:
        return base + sizeof entry->of.measurement;
    case ENTRY_REMARK:
        return base + sizeof entry->of.remark;
    case ENTRY_STRIKE:
        return base + sizeof entry->of.strike;
    case ENTRY_LINK:
        return base + sizeof entry->of.link;
    case ENTRY_DIVE:
        return base + sizeof entry->of.dive;
    case ENTRY_SEAT:
        return base + sizeof entry->of.seat;
    default:
        return base + sizeof entry->of.notice;
    }
}

void entry_ref(char *out, const char *dive, char letter, uint32_t number)
{
    int digits = letter == 'M' ? 4 : 3;
    if (dive[0] != '\0')
        snprintf(out, REF_SIZE, "%.31s-%c%0*" PRIu32, dive, letter, digits, number);
    else
        snprintf(out, REF_SIZE, "%c%0*" PRIu32, letter, digits, number);
}

static bool ref_number(const char *text, uint32_t *number)
{
    size_t digits = strspn(text, "0123456789");
    if (digits == 0 || digits > 9 || text[digits] != '\0')
        return false;
    uint32_t value = 0;
    for (size_t i = 0; i < digits; i++)
        value = value * 10 + (uint32_t)(text[i] - '0');
    *number = value;
    return value > 0;
}

bool entry_ref_parse(const char *text, char dive[DIVE_ID_SIZE], char *letter, uint32_t *number)
{
    /* A dive's id may hold dashes itself: the reference is what follows the last one. */
    const char *dash = strrchr(text, '-');
    const char *tail = dash != NULL ? dash + 1 : text;
    size_t dive_len = dash != NULL ? (size_t)(dash - text) : 0;
    char upper = (char)(tail[0] >= 'a' && tail[0] <= 'z' ? tail[0] - 'a' + 'A' : tail[0]);
    if (dive_len >= DIVE_ID_SIZE || (dash != NULL && dive_len == 0) || upper == '\0' ||
        strchr("MSTA", upper) == NULL)
        return false;
    if (!ref_number(tail + 1, number))
        return false;
    memcpy(dive, text, dive_len);
    dive[dive_len] = '\0';
    *letter = upper;
    return true;
}
