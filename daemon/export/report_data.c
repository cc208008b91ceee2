#include "export/report_data.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- texts ---- */

#define ROOM_BYTES 65536

struct report_room {
    struct report_room *next;
    size_t used;
    char bytes[ROOM_BYTES];
};

/* A text that lives as long as the data; "" where memory is short. */
static const char *keep_text(struct report_data *data, const char *text)
{
    size_t size = strlen(text) + 1;
    struct report_room *room = data->rooms;
    if (size == 1 || size > ROOM_BYTES)
        return "";
    if (room == NULL || room->used + size > ROOM_BYTES) {
        room = malloc(sizeof *room);
        if (room == NULL) {
            data->no_memory = true;
            return "";
        }
        room->next = data->rooms;
        room->used = 0;
        data->rooms = room;
    }
    char *kept = room->bytes + room->used;
    memcpy(kept, text, size);
    room->used += size;
    return kept;
}

/* ---- lists ---- */

/* Room for one item more, at the end of a list that doubles; `list` points to the pointer to it. NULL: no memory, and noted. */
static void *add(struct report_data *data, void *list, size_t *count, size_t size)
{
    void *items;
    memcpy(&items, list, sizeof items);
    bool full = *count == 0 || (*count & (*count - 1)) == 0; /* 0, 1, 2, 4, 8 ... */
    if (full) {
        void *grown = realloc(items, (*count == 0 ? 1 : *count * 2) * size);
        if (grown == NULL) {
            data->no_memory = true;
            return NULL;
        }
        items = grown;
        memcpy(list, &items, sizeof items);
    }
    return (char *)items + size * (*count)++;
}

static bool keep_row(struct report_data *data, void *list, size_t *count, const void *row, size_t size)
{
    void *kept = add(data, list, count, size);
    if (kept != NULL)
        memcpy(kept, row, size);
    return kept != NULL;
}

static bool add_sighting(void *ctx, const struct query_sighting *row)
{
    struct report_data *data = ctx;
    return keep_row(data, &data->sighting, &data->sightings, row, sizeof *row);
}

static bool add_span(void *ctx, const struct query_span *row)
{
    struct report_data *data = ctx;
    return keep_row(data, &data->span, &data->spans, row, sizeof *row);
}

static bool add_sample(void *ctx, const struct query_sample *row)
{
    struct report_data *data = ctx;
    return keep_row(data, &data->sample, &data->samples, row, sizeof *row);
}

static bool add_identification(void *ctx, const struct query_identification *row)
{
    struct report_data *data = ctx;
    return keep_row(data, &data->identification, &data->identifications, row, sizeof *row);
}

static bool add_remark(void *ctx, const struct query_remark *row)
{
    struct report_data *data = ctx;
    return keep_row(data, &data->remark, &data->remarks, row, sizeof *row);
}

static bool add_strike(void *ctx, const struct query_strike *row)
{
    struct report_data *data = ctx;
    return keep_row(data, &data->strike, &data->strikes, row, sizeof *row);
}

static void take_readings(struct report_marker *kept, const struct marker_telemetry *telemetry)
{
    kept->position = telemetry->position;
    for (uint32_t i = 0; i < telemetry->reading_count; i++)
        if (strcmp(telemetry->reading[i].channel, "vehicle.depth_m") == 0) {
            kept->has_depth = true;
            kept->depth_m = telemetry->reading[i].value;
        }
}

static bool add_marker(void *ctx, const struct query_marker *row)
{
    struct report_data *data = ctx;
    const struct marker *marker = &row->marker;
    struct report_marker *kept = add(data, &data->marker, &data->markers, sizeof *kept);
    if (kept == NULL)
        return false;
    *kept = (struct report_marker){.number = marker->number,
                                   .sighting = marker->sighting,
                                   .object = marker->object,
                                   .capacity = marker->capacity,
                                   .instead_of = marker->instead_of,
                                   .struck = row->struck,
                                   .origin = marker->origin,
                                   .kind = keep_text(data, marker->kind),
                                   .label = keep_text(data, marker->label),
                                   .term = keep_text(data, marker->term),
                                   .seat = keep_text(data, marker->seat),
                                   .who = keep_text(data, marker->who),
                                   .pad = keep_text(data, marker->pad),
                                   .note = keep_text(data, marker->note),
                                   .phase = keep_text(data, marker->phase),
                                   .container = keep_text(data, marker->container),
                                   .advice = keep_text(data, marker->advice),
                                   .when = marker->when,
                                   .held_ns = -1,
                                   .timecode_trust = marker->timecode.trust,
                                   .timecode = keep_text(data, marker->timecode.label),
                                   .rate = keep_text(data, marker->timecode.rate),
                                   .timecode_bound_frames = marker->timecode.bound_frames};
    take_readings(kept, &marker->telemetry);
    return !data->no_memory;
}

/* ---- what ties markers together ---- */

static struct report_marker *find_marker(const struct report_data *data, uint32_t number)
{
    size_t low = 0, high = data->markers;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (data->marker[middle].number < number)
            low = middle + 1;
        else
            high = middle;
    }
    return low < data->markers && data->marker[low].number == number ? &data->marker[low] : NULL;
}

static void mark_replaced(struct report_data *data)
{
    for (size_t i = 0; i < data->markers; i++) {
        const struct report_marker *marker = &data->marker[i];
        struct report_marker *replaced =
            marker->instead_of != 0 && !marker->struck ? find_marker(data, marker->instead_of) : NULL;
        if (replaced != NULL)
            replaced->replaced = true;
    }
}

static int chain_sightings(struct report_data *data)
{
    for (size_t i = 0; i < data->markers; i++)
        if (data->marker[i].sighting >= data->firsts)
            data->firsts = (size_t)data->marker[i].sighting + 1;
    if (data->firsts == 0)
        return 0;
    data->first = calloc(data->firsts, sizeof *data->first);
    data->no_memory |= data->first == NULL;
    if (data->first == NULL)
        return -1;
    for (size_t i = data->markers; i-- > 0;) {
        struct report_marker *marker = &data->marker[i];
        marker->next = data->first[marker->sighting];
        data->first[marker->sighting] = i + 1;
    }
    return 0;
}

/* What is sure of it: a press that is known to some seconds only has not waited for them. */
static int64_t held_for(const struct query_arrival *row, const struct report_marker *marker)
{
    int64_t bound_ns = marker->when.mono_bound_ns > 0 ? marker->when.mono_bound_ns : 0;
    int64_t held_ns = row->reached.ns - marker->when.mono.ns - bound_ns;
    return held_ns > 0 ? held_ns : 0;
}

static bool take_arrival(void *ctx, const struct query_arrival *row)
{
    struct report_marker *marker = find_marker(ctx, row->number);
    if (marker == NULL)
        return true;
    marker->waited = row->waited;
    if (marker->origin != MARKER_LATE)
        marker->held_ns = held_for(row, marker);
    return true;
}

/* ---- notices ---- */

static bool add_notice(void *ctx, const struct query_notice *row)
{
    struct report_data *data = ctx;
    bool of_dive = strcmp(row->made.dive, data->dive) == 0;
    int64_t begun = data->row != NULL ? data->row->begun_seq : 0;
    int64_t ended = data->row != NULL && !data->row->open ? data->row->ended_seq : INT64_MAX;
    if (of_dive || (row->made.dive[0] == '\0' && row->made.seq > begun && row->made.seq < ended))
        return keep_row(data, &data->notice, &data->notices, row, sizeof *row);
    if (row->made.seq > begun || (row->made.type != ENTRY_CLOCK && row->made.type != ENTRY_TIMECODE))
        return true;
    for (size_t i = 0; i < data->befores; i++)
        if (data->before[i].made.type == row->made.type) {
            data->before[i] = *row;
            return true;
        }
    return keep_row(data, &data->before, &data->befores, row, sizeof *row);
}

/* ---- from when to when ---- */

static void widen(struct report_data *data, utc_ns utc)
{
    if (!data->timed || utc.ns < data->from.ns)
        data->from = utc;
    if (!data->timed || utc.ns > data->to.ns)
        data->to = utc;
    data->timed = true;
}

static bool widen_channel(void *ctx, const struct query_channel *row)
{
    struct report_data *data = ctx;
    if (row->last.ns > data->to.ns)
        data->to = row->last;
    return true;
}

static int find_times(struct report_data *data)
{
    const struct query_dive *row = data->row;
    if (row != NULL && row->begun.trust != CLOCK_TRUST_NONE)
        widen(data, row->begun.utc);
    if (row != NULL && !row->open && row->ended.trust != CLOCK_TRUST_NONE) {
        widen(data, row->ended.utc);
        return 0;
    }
    for (size_t i = 0; i < data->markers; i++)
        if (data->marker[i].when.trust != CLOCK_TRUST_NONE && data->marker[i].when.utc.ns > 0)
            widen(data, data->marker[i].when.utc);
    /* an open dive lasts until the last that was heard */
    if (row != NULL && row->open && data->timed &&
        query_channels(data->reader, data->from, (utc_ns){INT64_MAX}, widen_channel, data) < 0)
        return -1;
    return 0;
}

static int ask_all(struct report_data *data)
{
    struct store_reader *reader = data->reader;
    struct query_want want = {.dive = data->dive}, all = {0};
    if (query_markers(reader, &want, add_marker, data) < 0 ||
        query_sightings(reader, &want, add_sighting, data) < 0 ||
        query_spans(reader, &want, add_span, data) < 0 || query_samples(reader, &want, add_sample, data) < 0)
        return -1;
    if (query_identifications(reader, &want, add_identification, data) < 0 ||
        query_remarks(reader, &want, add_remark, data) < 0 ||
        query_strikes(reader, &want, add_strike, data) < 0 ||
        query_notices(reader, &all, add_notice, data) < 0 ||
        query_arrivals(reader, data->dive, take_arrival, data) < 0)
        return -1;
    mark_replaced(data);
    return data->no_memory ? -1 : 0;
}

static bool add_channel(void *ctx, const struct query_channel *row)
{
    struct report_data *data = ctx;
    size_t count = data->channels;
    if ((count & (count - 1)) == 0) { /* full at each power of two */
        struct report_channel *grown =
            realloc(data->channel, (count == 0 ? 1 : count * 2) * sizeof *data->channel);
        data->no_memory = grown == NULL;
        if (grown == NULL)
            return false;
        data->channel = grown;
    }
    struct report_channel *channel = &data->channel[data->channels++];
    snprintf(channel->channel, sizeof channel->channel, "%s", row->channel);
    snprintf(channel->feed, sizeof channel->feed, "%s", row->feed);
    channel->row = *row;
    return true;
}

void report_channels(const struct report_data *data, query_channel_row *row, void *ctx)
{
    for (size_t i = 0; i < data->channels; i++) {
        struct query_channel channel = data->channel[i].row;
        channel.channel = data->channel[i].channel; /* the list may have moved since */
        channel.feed = data->channel[i].feed;
        if (!row(ctx, &channel))
            return;
    }
}

int report_data_gather(struct report_data *data, struct store_reader *reader, const char *dive,
                       const struct query_dive *row)
{
    *data = (struct report_data){.reader = reader, .dive = dive, .row = row};
    if (ask_all(data) != 0 || chain_sightings(data) != 0)
        return -1;
    if (find_times(data) != 0 ||
        (data->timed && query_channels(reader, data->from, data->to, add_channel, data) < 0))
        return -1;
    return data->no_memory ? -1 : 0;
}

void report_data_free(struct report_data *data)
{
    while (data->rooms != NULL) {
        struct report_room *next = data->rooms->next;
        free(data->rooms);
        data->rooms = next;
    }
    free(data->marker);
    free(data->sighting);
    free(data->span);
    free(data->sample);
    free(data->identification);
    free(data->remark);
    free(data->strike);
    free(data->notice);
    free(data->before);
    free(data->first);
    free(data->channel);
    *data = (struct report_data){0};
}

/* ---- looking ---- */

bool report_marker_stands(const struct report_marker *marker)
{
    return !marker->struck && !marker->replaced;
}

bool report_state_stands(const char *state)
{
    return strcmp(state, "struck") != 0 && strcmp(state, "withdrawn") != 0 && strcmp(state, "retired") != 0 &&
           strcmp(state, "refused") != 0;
}

const struct report_marker *report_marker_of(const struct report_data *data, uint32_t number)
{
    return find_marker(data, number);
}

const struct query_sighting *report_sighting_of(const struct report_data *data, uint32_t number)
{
    for (size_t i = 0; i < data->sightings; i++)
        if (data->sighting[i].sighting.number == number)
            return &data->sighting[i];
    return NULL;
}

const struct report_marker *report_sighting_marker(const struct report_data *data, uint32_t sighting)
{
    size_t at = sighting != 0 && sighting < data->firsts ? data->first[sighting] : 0;
    return at != 0 ? &data->marker[at - 1] : NULL;
}

const struct report_marker *report_next_marker(const struct report_data *data,
                                               const struct report_marker *marker)
{
    return marker->next != 0 ? &data->marker[marker->next - 1] : NULL;
}

utc_ns report_span_end(const struct report_data *data, const struct query_span *span)
{
    return strcmp(span->span.state, "open") == 0 ? data->to : span->span.end;
}

bool report_span_is_bottom(const struct report_data *data, const struct query_span *span)
{
    const struct report_marker *marker = find_marker(data, span->span.first_marker);
    return report_state_stands(span->span.state) && strcmp(span->span.kind, "phase") == 0 && marker != NULL &&
           strcmp(marker->phase, "on bottom") == 0;
}

int64_t report_bottom_ns(const struct report_data *data)
{
    int64_t sum = 0;
    for (size_t i = 0; i < data->spans; i++)
        if (report_span_is_bottom(data, &data->span[i]))
            sum += report_span_end(data, &data->span[i]).ns - data->span[i].span.start.ns;
    return sum;
}

bool report_sighting_has(const struct report_data *data, uint32_t sighting, const char *term)
{
    for (const struct report_marker *marker = report_sighting_marker(data, sighting); marker != NULL;
         marker = report_next_marker(data, marker))
        if (report_marker_stands(marker) && strcmp(marker->term, term) == 0)
            return true;
    return false;
}
