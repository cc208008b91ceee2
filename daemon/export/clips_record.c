#include "export/clips_record.h"

#include "export/plain.h"
#include "export/rowjson.h"
#include "export/stands.h"

#include <stdlib.h>
#include <string.h>

/* Room for one more; false: no memory. */
static bool room(void **array, size_t *size, size_t count, size_t each)
{
    if (count < *size)
        return true;
    size_t wanted = *size == 0 ? 128 : *size * 2;
    void *grown = realloc(*array, wanted * each);
    if (grown == NULL)
        return false;
    *array = grown;
    *size = wanted;
    return true;
}

static bool is_still(const char *kind)
{
    static const char *const kinds[] = {"subject", "detail", "again", "sample", "note", "waypoint"};
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
        if (strcmp(kind, kinds[i]) == 0)
            return true;
    return false;
}

static void take_timecode(struct clips_marker *to, const struct timecode_stamp *stamp)
{
    to->frame = -1;
    if (stamp->trust == TIMECODE_TRUST_NONE || timecode_rate_parse(stamp->rate, &to->rate) != 0)
        return;
    to->frame = stamp->frame;
    to->within = stamp->within;
    to->bound_frames = stamp->bound_frames;
}

static bool take_marker(void *ctx, const struct query_marker *row)
{
    struct clips_record *record = ctx;
    const struct marker *marker = &row->marker;
    if (row->struck || marker->when.trust == CLOCK_TRUST_NONE)
        return true;
    record->failed =
        !room((void **)&record->marker, &record->marker_size, record->marker_count, sizeof record->marker[0]);
    if (record->failed)
        return false;
    struct clips_marker *to = &record->marker[record->marker_count++];
    *to = (struct clips_marker){.number = marker->number,
                                .sighting = marker->sighting,
                                .utc_ns = marker->when.utc.ns,
                                .late = marker->origin == MARKER_LATE,
                                .still = is_still(marker->kind),
                                .view = strcmp(marker->kind, "detail") == 0 &&
                                        strcmp(marker->term, "rope:view") == 0,
                                .lead_ns = marker->lead_ns};
    take_timecode(to, &marker->timecode);
    plain_copy(to->kind, sizeof to->kind, marker->kind);
    plain_copy(to->label, sizeof to->label, marker->label[0] != '\0' ? marker->label : marker->kind);
    plain_copy(to->note, sizeof to->note, marker->note);
    for (uint32_t i = 0; i < marker->telemetry.reading_count; i++) {
        if (strcmp(marker->telemetry.reading[i].channel, "vehicle.depth_m") == 0) {
            to->has_depth = true;
            to->depth_m = marker->telemetry.reading[i].value;
        }
    }
    return true;
}

static struct clips_object *new_object(struct clips_record *record, char letter, const char *label)
{
    record->failed =
        !room((void **)&record->object, &record->object_size, record->object_count, sizeof record->object[0]);
    if (record->failed)
        return NULL;
    struct clips_object *object = &record->object[record->object_count++];
    *object = (struct clips_object){.letter = letter};
    plain_copy(object->label, sizeof object->label, label);
    return object;
}

static void take_times(const struct clips_record *record, struct clips_object *object, utc_ns start,
                       int64_t lead_ns, const char *closed_by, utc_ns end)
{
    object->start_ns = start.ns;
    object->press_ns = start.ns + lead_ns;
    object->end_ns = closed_by[0] != '\0' ? end.ns : record->last_ns;
    if (object->end_ns < object->press_ns)
        object->end_ns = object->press_ns;
}

static bool take_sighting(void *ctx, const struct query_sighting *row)
{
    struct clips_record *record = ctx;
    const struct sighting_entry *sighting = &row->sighting;
    const struct identification_entry *name = &row->identification;
    char title[CLIPS_TITLE_SIZE];
    if (!stands(sighting->state))
        return true;
    struct clips_object *object = new_object(record, 'S', sighting->label);
    if (object == NULL)
        return false;
    object->number = sighting->number;
    object->first_marker = sighting->first_marker;
    take_times(record, object, sighting->start, sighting->lead_ns, sighting->closed_by, sighting->end);
    snprintf(title, sizeof title, "%s%s%s%s%s", sighting->label, row->identified ? ": " : "",
             row->identified ? name->name : "", row->identified && name->qualifier[0] != '\0' ? " " : "",
             row->identified ? name->qualifier : "");
    plain_copy(object->title, sizeof object->title, title);
    return true;
}

static bool take_span(void *ctx, const struct query_span *row)
{
    struct clips_record *record = ctx;
    const struct span_entry *span = &row->span;
    char title[CLIPS_TITLE_SIZE], transect[24] = "";
    if (!stands(span->state))
        return true;
    struct clips_object *object = new_object(record, 'T', span->label);
    if (object == NULL)
        return false;
    object->number = span->number;
    object->first_marker = span->first_marker;
    take_times(record, object, span->start, 0, span->closed_by, span->end);
    if (span->transect != 0)
        snprintf(transect, sizeof transect, " %u", span->transect);
    snprintf(title, sizeof title, "%s%s", span->label[0] != '\0' ? span->label : span->kind, transect);
    plain_copy(object->title, sizeof object->title, title);
    return true;
}

struct find_dive {
    struct clips_record *record;
    bool found, ended;
    int64_t end_ns;
};

static bool take_dive(void *ctx, const struct query_dive *row)
{
    struct find_dive *find = ctx;
    if (strcmp(row->id, find->record->dive) != 0)
        return true;
    find->found = true;
    find->ended = !row->open && row->ended.trust != CLOCK_TRUST_NONE;
    find->end_ns = row->ended.utc.ns;
    return false;
}

/* Spans before sightings that begin with them. */
static int by_start(const void *a, const void *b)
{
    const struct clips_object *x = a, *y = b;
    if (x->start_ns != y->start_ns)
        return x->start_ns < y->start_ns ? -1 : 1;
    if (x->letter != y->letter)
        return x->letter > y->letter ? -1 : 1;
    return x->number < y->number ? -1 : x->number > y->number;
}

static int read_all(struct clips_record *record, struct store_reader *reader, char *why)
{
    struct find_dive find = {.record = record};
    struct query_want every = {0}, want = {.dive = record->dive};
    if (query_dives(reader, &every, take_dive, &find) < 0 ||
        query_markers_by_time(reader, &want, take_marker, record) < 0)
        goto failed;
    if (!find.found && record->dive[0] != '\0') {
        snprintf(why, CLIPS_WHY_SIZE, "there is no dive %s; `bellrope dive list` shows the dives",
                 record->dive);
        return -1;
    }
    record->last_ns = record->marker_count > 0 ? record->marker[record->marker_count - 1].utc_ns : 0;
    if (find.ended)
        record->last_ns = find.end_ns;
    if (query_sightings(reader, &want, take_sighting, record) < 0 ||
        query_spans(reader, &want, take_span, record) < 0)
        goto failed;
    if (record->object_count > 0)
        qsort(record->object, record->object_count, sizeof record->object[0], by_start);
    if (!record->failed)
        return 0;
failed:
    snprintf(why, CLIPS_WHY_SIZE, "%s", record->failed ? "out of memory" : store_reader_error(reader));
    return -1;
}

int clips_record_read(struct clips_record *record, struct store_reader *reader, const char *dive,
                      char why[CLIPS_WHY_SIZE])
{
    *record = (struct clips_record){0};
    if (dive != NULL && strlen(dive) >= sizeof record->dive) {
        snprintf(why, CLIPS_WHY_SIZE, "there is no dive %.60s", dive);
        return -1;
    }
    if (store_reader_hold(reader) != STORE_OK) {
        snprintf(why, CLIPS_WHY_SIZE, "%s", store_reader_error(reader));
        return -1;
    }
    int result = 0;
    if (dive != NULL)
        snprintf(record->dive, sizeof record->dive, "%s", dive);
    else if (!rowjson_default_dive(reader, record->dive))
        result = -1;
    if (result != 0)
        snprintf(why, CLIPS_WHY_SIZE, "%s", store_reader_error(reader));
    else
        result = read_all(record, reader, why);
    store_reader_release(reader);
    return result;
}

void clips_record_free(struct clips_record *record)
{
    free(record->marker);
    free(record->object);
    *record = (struct clips_record){0};
}

const struct clips_marker *clips_record_marker(const struct clips_record *record, uint32_t number)
{
    for (size_t i = 0; i < record->marker_count; i++)
        if (record->marker[i].number == number)
            return &record->marker[i];
    return NULL;
}

const struct clips_object *clips_record_sighting(const struct clips_record *record, uint32_t number)
{
    for (size_t i = 0; i < record->object_count; i++)
        if (record->object[i].letter == 'S' && record->object[i].number == number)
            return &record->object[i];
    return NULL;
}
