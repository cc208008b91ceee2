#include "export/rowjson.h"

#include "core/event.h"
#include "core/jsonout.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void put_utc(struct jsonout *out, const char *name, utc_ns utc)
{
    char text[32];
    event_utc_text(utc, text);
    jsonout_text(out, name, text);
}

static void put_utc_of(struct jsonout *out, const char *name, const struct when *when)
{
    if (when->trust == CLOCK_TRUST_NONE)
        jsonout_null(out, name);
    else
        put_utc(out, name, when->utc);
}

static void put_ref(struct jsonout *out, const char *name, const char *dive, char letter, uint32_t number)
{
    char ref[REF_SIZE];
    if (number == 0) {
        jsonout_null(out, name);
        return;
    }
    entry_ref(ref, dive, letter, number);
    jsonout_text(out, name, ref);
}

/* What every row begins with. */
static void begin_row(struct jsonout *out, char *bytes, size_t size, int64_t seq, const char *dive,
                      const char *ref)
{
    jsonout_begin(out, bytes, size);
    jsonout_open(out, NULL, '{');
    jsonout_int(out, "seq", seq);
    jsonout_text_or_null(out, "dive", dive);
    jsonout_text(out, "id", ref);
}

static size_t end_row(struct jsonout *out)
{
    jsonout_close(out, '}');
    return jsonout_end(out);
}

size_t rowjson_marker(const struct query_marker *row, char *out, size_t size)
{
    struct entry *entry = calloc(1, sizeof *entry);
    if (entry == NULL)
        return 0;
    entry->seq = row->seq;
    entry->type = ENTRY_MARKER;
    snprintf(entry->dive, sizeof entry->dive, "%s", row->dive);
    entry->of.marker = row->marker;
    size_t len = event_json(entry, out, size);
    free(entry);
    if (len == 0)
        return 0;
    /* more members before the closing brace */
    char more[256], pressed[40] = "null";
    if (row->as_pressed.trust != CLOCK_TRUST_NONE) {
        char utc[32];
        event_utc_text(row->as_pressed.utc, utc);
        snprintf(pressed, sizeof pressed, "\"%s\"", utc);
    }
    int added =
        snprintf(more, sizeof more,
                 ",\"number\":%" PRIu32 ",\"struck\":%s,\"settlings\":%" PRIu32 ",\"pressed_utc\":%s}",
                 row->marker.number, row->struck ? "true" : "false", row->settlings, pressed);
    if (len - 1 + (size_t)added >= size)
        return 0;
    memcpy(out + len - 1, more, (size_t)added + 1);
    return len - 1 + (size_t)added;
}

static void put_identification(struct jsonout *out, const struct query_sighting *row)
{
    const struct identification_entry *identification = &row->identification;
    if (!row->identified) {
        jsonout_null(out, "identification");
        return;
    }
    jsonout_open(out, "identification", '{');
    jsonout_text(out, "name", identification->name);
    jsonout_text_or_null(out, "qualifier", identification->qualifier);
    jsonout_text_or_null(out, "rank", identification->rank);
    jsonout_text_or_null(out, "name_id", identification->name_id);
    if (identification->listed < 0)
        jsonout_null(out, "listed");
    else
        jsonout_bool(out, "listed", identification->listed != 0);
    jsonout_text(out, "verbatim", identification->verbatim);
    jsonout_text_or_null(out, "by", identification->by);
    jsonout_text_or_null(out, "why", identification->why);
    jsonout_close(out, '}');
}

static void put_length(struct jsonout *out, const struct query_sighting *row)
{
    const struct measurement_entry *length = &row->measurement;
    if (!row->measured) {
        jsonout_null(out, "length");
        return;
    }
    jsonout_open(out, "length", '{');
    event_length_members(out, length);
    jsonout_close(out, '}');
}

size_t rowjson_sighting(const struct query_sighting *row, char *bytes, size_t size)
{
    const struct sighting_entry *sighting = &row->sighting;
    struct jsonout out;
    begin_row(&out, bytes, size, row->seq, row->dive, row->ref);
    jsonout_int(&out, "number", sighting->number);
    jsonout_text(&out, "state", sighting->state);
    jsonout_text(&out, "seat", sighting->seat);
    jsonout_text(&out, "label", sighting->label);
    jsonout_text_or_null(&out, "term", sighting->term);
    put_utc(&out, "start", sighting->start);
    jsonout_real(&out, "lead_s", (double)sighting->lead_ns / 1e9, 3);
    if (sighting->closed_by[0] != '\0')
        put_utc(&out, "end", sighting->end);
    else
        jsonout_null(&out, "end");
    jsonout_text_or_null(&out, "closed_by", sighting->closed_by);
    put_ref(&out, "first", row->dive, 'M', sighting->first_marker);
    put_ref(&out, "last", row->dive, 'M', sighting->last_marker);
    jsonout_int(&out, "markers", sighting->marker_count);
    jsonout_int(&out, "individuals", sighting->individuals);
    jsonout_text_or_null(&out, "tie", sighting->tie);
    jsonout_text_or_null(&out, "tie_term", sighting->tie_term);
    put_ref(&out, "tied_to", row->dive, 'S', sighting->tied_to);
    put_ref(&out, "again_of", row->dive, 'S', sighting->again_of);
    jsonout_bool(&out, "recomputed", sighting->recomputed);
    put_identification(&out, row);
    put_length(&out, row);
    jsonout_bool(&out, "ask_shore", row->ask_shore);
    return end_row(&out);
}

size_t rowjson_span(const struct query_span *row, char *bytes, size_t size)
{
    const struct span_entry *span = &row->span;
    struct jsonout out;
    begin_row(&out, bytes, size, row->seq, row->dive, row->ref);
    jsonout_int(&out, "number", span->number);
    jsonout_text(&out, "kind", span->kind);
    if (span->transect != 0)
        jsonout_int(&out, "transect", span->transect);
    else
        jsonout_null(&out, "transect");
    jsonout_text(&out, "state", span->state);
    jsonout_text(&out, "label", span->label);
    jsonout_text_or_null(&out, "term", span->term);
    jsonout_text(&out, "seat", span->seat);
    put_utc(&out, "start", span->start);
    if (span->closed_by[0] != '\0')
        put_utc(&out, "end", span->end);
    else
        jsonout_null(&out, "end");
    jsonout_text_or_null(&out, "closed_by", span->closed_by);
    put_ref(&out, "first", row->dive, 'M', span->first_marker);
    put_ref(&out, "last", row->dive, 'M', span->last_marker);
    jsonout_bool(&out, "recomputed", span->recomputed);
    return end_row(&out);
}

static void put_place(struct jsonout *out, const struct query_marker *marker)
{
    if (marker == NULL || !marker->marker.telemetry.position.known) {
        jsonout_null(out, "position");
    } else {
        const struct marker_position *position = &marker->marker.telemetry.position;
        jsonout_open(out, "position", '{');
        jsonout_real(out, "lat", position->lat_deg, 7);
        jsonout_real(out, "lon", position->lon_deg, 7);
        if (position->uncertainty_m < 0)
            jsonout_null(out, "uncertainty_m");
        else
            jsonout_real(out, "uncertainty_m", position->uncertainty_m, 1);
        jsonout_text(out, "source", position->source);
        jsonout_close(out, '}');
    }
    jsonout_text_or_null(out, "timecode", marker == NULL ? "" : marker->marker.timecode.label);
}

static void put_depth(struct jsonout *out, const struct query_marker *marker)
{
    for (uint32_t i = 0; marker != NULL && i < marker->marker.telemetry.reading_count; i++) {
        const struct marker_reading *reading = &marker->marker.telemetry.reading[i];
        if (strcmp(reading->channel, "vehicle.depth_m") == 0) {
            jsonout_real(out, "depth_m", reading->value, 2);
            return;
        }
    }
    jsonout_null(out, "depth_m");
}

size_t rowjson_sample(const struct query_sample *row, const struct query_marker *marker, char *bytes,
                      size_t size)
{
    const struct sample_entry *sample = &row->sample;
    struct jsonout out;
    begin_row(&out, bytes, size, row->seq, row->dive, row->ref);
    jsonout_int(&out, "number", sample->number);
    jsonout_text(&out, "state", sample->state);
    jsonout_text_or_null(&out, "container", sample->container);
    jsonout_text_or_null(&out, "gear", sample->gear);
    jsonout_text(&out, "seat", sample->seat);
    jsonout_text(&out, "label", sample->label);
    jsonout_text_or_null(&out, "term", sample->term);
    bool own_note = sample->note[0] != '\0' || marker == NULL;
    jsonout_text_or_null(&out, "note", own_note ? sample->note : marker->marker.note);
    put_utc(&out, "taken", sample->taken);
    put_ref(&out, "marker", row->dive, 'M', sample->marker);
    put_ref(&out, "sighting", row->dive, 'S', sample->sighting);
    jsonout_text_or_null(&out, "why", sample->why);
    jsonout_bool(&out, "recomputed", sample->recomputed);
    put_place(&out, marker);
    put_depth(&out, marker);
    return end_row(&out);
}

size_t rowjson_dive(const struct query_dive *row, char *bytes, size_t size)
{
    struct jsonout out;
    jsonout_begin(&out, bytes, size);
    jsonout_open(&out, NULL, '{');
    jsonout_text(&out, "id", row->id);
    jsonout_bool(&out, "open", row->open);
    put_utc_of(&out, "begun", &row->begun);
    if (row->open)
        jsonout_null(&out, "ended");
    else
        put_utc_of(&out, "ended", &row->ended);
    jsonout_text_or_null(&out, "vehicle", row->dive.vehicle);
    jsonout_text_or_null(&out, "ship", row->dive.ship);
    jsonout_text_or_null(&out, "site", row->dive.site);
    if (row->dive.planned_bottom_ns > 0)
        jsonout_real(&out, "planned_bottom_min", (double)row->dive.planned_bottom_ns / 60e9, 3);
    else
        jsonout_null(&out, "planned_bottom_min");
    jsonout_int(&out, "markers", row->markers);
    jsonout_int(&out, "sightings", row->sightings);
    jsonout_int(&out, "spans", row->spans);
    jsonout_int(&out, "samples", row->samples);
    return end_row(&out);
}

/* -- answers -- */

/* The text grows by doubling; once memory was short it stays `failed`. */
struct answer_text {
    struct store_reader *reader;
    char *at;
    size_t len, size;
    bool failed;
    bool comma;
    int64_t rows, limit;
    bool more;
    char row[ROWJSON_BYTES_MAX];
};

static void put(struct answer_text *text, const char *bytes, size_t len)
{
    if (text->failed)
        return;
    if (text->at == NULL || text->len + len + 1 > text->size) {
        size_t size = (text->len + len + 1) * 2;
        char *at = realloc(text->at, size);
        if (at == NULL) {
            text->failed = true;
            return;
        }
        text->at = at;
        text->size = size;
    }
    memcpy(text->at + text->len, bytes, len);
    text->len += len;
    text->at[text->len] = '\0';
}

/* Adds text->row; false: enough. */
static bool put_row(struct answer_text *text, size_t len)
{
    if (text->limit > 0 && text->rows == text->limit) {
        text->more = true;
        return false;
    }
    if (text->comma)
        put(text, ",", 1);
    put(text, text->row, len);
    text->comma = true;
    text->rows++;
    return !text->failed;
}

static bool marker_row(void *ctx, const struct query_marker *row)
{
    struct answer_text *text = ctx;
    return put_row(text, rowjson_marker(row, text->row, sizeof text->row));
}

static bool sighting_row(void *ctx, const struct query_sighting *row)
{
    struct answer_text *text = ctx;
    return put_row(text, rowjson_sighting(row, text->row, sizeof text->row));
}

static bool span_row(void *ctx, const struct query_span *row)
{
    struct answer_text *text = ctx;
    return put_row(text, rowjson_span(row, text->row, sizeof text->row));
}

static bool keep_marker(void *ctx, const struct query_marker *row)
{
    struct query_marker *kept = ctx;
    *kept = *row;
    return false;
}

static bool sample_row(void *ctx, const struct query_sample *row)
{
    struct answer_text *text = ctx;
    struct query_marker *marker = malloc(sizeof *marker);
    int64_t found = 0;
    if (marker != NULL && row->sample.marker != 0) {
        struct query_want want = {.dive = row->dive, .after = (int64_t)row->sample.marker - 1, .limit = 1};
        found = query_markers(text->reader, &want, keep_marker, marker);
    }
    bool is_it = found == 1 && marker->marker.number == row->sample.marker;
    size_t len = rowjson_sample(row, is_it ? marker : NULL, text->row, sizeof text->row);
    free(marker);
    return put_row(text, len);
}

static bool dive_row(void *ctx, const struct query_dive *row)
{
    struct answer_text *text = ctx;
    return put_row(text, rowjson_dive(row, text->row, sizeof text->row));
}

struct dive_search {
    const char *id; /* NULL: the default one */
    bool open, found;
    struct query_dive dive;
};

static bool search_row(void *ctx, const struct query_dive *row)
{
    struct dive_search *search = ctx;
    bool take = search->id != NULL ? strcmp(row->id, search->id) == 0 : row->open || !search->open;
    if (take) {
        search->dive = *row;
        search->found = true;
        search->open = row->open;
    }
    return true;
}

static bool find_dive(struct store_reader *reader, struct dive_search *search)
{
    struct query_want want = {0};
    return query_dives(reader, &want, search_row, search) >= 0;
}

bool rowjson_default_dive(struct store_reader *reader, char dive[DIVE_ID_SIZE])
{
    struct dive_search search = {0};
    bool read = find_dive(reader, &search);
    snprintf(dive, DIVE_ID_SIZE, "%s", search.found ? search.dive.id : "");
    return read;
}

int rowjson_dive_known(struct store_reader *reader, const char *dive)
{
    struct dive_search search = {.id = dive};
    return !find_dive(reader, &search) ? -1 : search.found ? 1 : 0;
}

/* How many rows of the kind a dive has: numbers run from 1 without a hole, so the newest begin behind count - limit. */
static int64_t rows_of(const struct query_dive *dive, enum rowjson_kind kind)
{
    switch (kind) {
    case ROWJSON_MARKERS:
        return dive->markers;
    case ROWJSON_SIGHTINGS:
        return dive->sightings;
    case ROWJSON_SPANS:
        return dive->spans;
    case ROWJSON_SAMPLES:
        return dive->samples;
    default:
        return 0;
    }
}

static int64_t ask(struct answer_text *text, const struct rowjson_query *query, const struct query_want *want)
{
    switch (query->kind) {
    case ROWJSON_MARKERS:
        return query_markers(text->reader, want, marker_row, text);
    case ROWJSON_SIGHTINGS:
        return query_sightings(text->reader, want, sighting_row, text);
    case ROWJSON_SPANS:
        return query_spans(text->reader, want, span_row, text);
    case ROWJSON_SAMPLES:
        return query_samples(text->reader, want, sample_row, text);
    default:
        return query_dives(text->reader, want, dive_row, text);
    }
}

/* The rows, after the opening of the answer; false with a sentence in `why`. */
static bool put_rows(struct answer_text *text, const struct rowjson_query *query, char *why, size_t why_size)
{
    static const char *const names[] = {"markers", "sightings", "spans", "samples", "dives"};
    struct dive_search search = {.id = query->dive};
    if (!find_dive(text->reader, &search)) {
        snprintf(why, why_size, "%s", store_reader_error(text->reader));
        return false;
    }
    bool named = query->dive != NULL && query->dive[0] != '\0' && query->kind != ROWJSON_DIVES;
    if (named && !search.found) {
        snprintf(why, why_size, "there is no dive %s; `bellrope dive list` shows the dives", query->dive);
        return false;
    }
    struct query_want want = {.dive = search.found ? search.dive.id : "", .after = query->after};
    if (query->newest && search.found && query->limit > 0) {
        int64_t first = rows_of(&search.dive, query->kind) - query->limit;
        want.after = first > want.after ? first : want.after;
    }
    char head[96];
    struct jsonout out;
    if (query->kind == ROWJSON_DIVES)
        want.dive = NULL;
    jsonout_begin(&out, head, sizeof head);
    jsonout_open(&out, NULL, '{');
    if (query->kind != ROWJSON_DIVES)
        jsonout_text_or_null(&out, "dive", want.dive);
    jsonout_open(&out, names[query->kind], '[');
    put(text, head, jsonout_end(&out));
    if (ask(text, query, &want) < 0) {
        snprintf(why, why_size, "%s", store_reader_error(text->reader));
        return false;
    }
    const char *tail = text->more ? "],\"more\":true}" : "],\"more\":false}";
    put(text, tail, strlen(tail));
    return true;
}

char *rowjson_answer(struct store_reader *reader, const struct rowjson_query *query, char *why,
                     size_t why_size)
{
    struct answer_text *text = calloc(1, sizeof *text);
    if (text == NULL) {
        snprintf(why, why_size, "out of memory");
        return NULL;
    }
    text->reader = reader;
    text->limit = query->limit;
    bool done = put_rows(text, query, why, why_size);
    if (done && text->failed)
        snprintf(why, why_size, "out of memory");
    char *answer = text->at;
    if (!done || text->failed) {
        free(answer);
        answer = NULL;
    }
    free(text);
    return answer;
}
