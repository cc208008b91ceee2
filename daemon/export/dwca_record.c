/* dwca: lookups in the record that the tables share. */
#include "export/dwca.h"

#include "export/path.h"
#include "export/stands.h"

#include <stdlib.h>
#include <string.h>

/* Makes room for one more of `each` bytes. False: out of memory, the list is as it was. */
static bool make_room(struct dwca *dwca, void **list, size_t count, size_t *size, size_t each)
{
    if (count < *size)
        return true;
    size_t wanted = *size == 0 ? 128 : *size * 2;
    void *more = realloc(*list, wanted * each);
    if (more == NULL) {
        dwca->failed = true;
        return false;
    }
    *list = more;
    *size = wanted;
    return true;
}

static bool keep_piece(struct dwca *dwca, struct dwca_piece piece)
{
    void *list = dwca->piece;
    if (!make_room(dwca, &list, dwca->pieces, &dwca->pieces_size, sizeof *dwca->piece))
        return false;
    dwca->piece = list;
    dwca->piece[dwca->pieces++] = piece;
    return true;
}

static void widen(struct dwca_box *box, double lat_deg, double lon_deg)
{
    if (!box->any)
        *box = (struct dwca_box){true, lon_deg, lon_deg, lat_deg, lat_deg, lon_deg};
    double lon = path_unwrapped(box->first_lon, lon_deg);
    box->west = lon < box->west ? lon : box->west;
    box->east = lon > box->east ? lon : box->east;
    box->south = lat_deg < box->south ? lat_deg : box->south;
    box->north = lat_deg > box->north ? lat_deg : box->north;
}

static bool take_marker(void *ctx, const struct query_belonging *row)
{
    struct dwca *dwca = ctx;
    struct dwca_piece piece = {.number = row->sighting, .letter = 'S', .at = row->number};
    if (row->struck)
        return true;
    if (row->placed)
        widen(&dwca->box, row->lat_deg, row->lon_deg);
    return piece.number == 0 || keep_piece(dwca, piece);
}

/* A remark or identification. */
static bool take_about(struct dwca *dwca, enum dwca_piece_kind kind, int64_t seq, const char *target)
{
    struct dwca_piece piece = {.kind = kind, .at = seq};
    char dive[DIVE_ID_SIZE];
    if (!entry_ref_parse(target, dive, &piece.letter, &piece.number) ||
        (piece.letter != 'S' && piece.letter != 'A'))
        return true;
    return keep_piece(dwca, piece);
}

static bool take_remark(void *ctx, const struct query_remark *row)
{
    return take_about(ctx, DWCA_REMARK, row->made.seq, row->remark.target);
}

static bool take_name(void *ctx, const struct query_identification *row)
{
    return take_about(ctx, DWCA_NAME, row->made.seq, row->identification.target);
}

static bool take_span(void *ctx, const struct query_span *row)
{
    struct dwca *dwca = ctx;
    const struct span_entry *span = &row->span;
    if (!stands(span->state) || strcmp(span->kind, "phase") == 0)
        return true;
    void *list = dwca->stay;
    if (!make_room(dwca, &list, dwca->stays, &dwca->stays_size, sizeof *dwca->stay))
        return false;
    dwca->stay = list;
    dwca->stay[dwca->stays++] = (struct dwca_stay){
        span->start.ns, dwca_end(dwca, span->closed_by, span->start, span->end).ns, span->number};
    return true;
}

static int by_owner(const void *a, const void *b)
{
    const struct dwca_piece *x = a, *y = b;
    if (x->letter != y->letter)
        return x->letter < y->letter ? -1 : 1;
    if (x->number != y->number)
        return x->number < y->number ? -1 : 1;
    if (x->kind != y->kind)
        return x->kind < y->kind ? -1 : 1;
    return x->at < y->at ? -1 : x->at > y->at;
}

int dwca_open(struct dwca *dwca, struct export_job *job)
{
    static const char *const channels[] = {"vehicle.depth_m", NULL};
    struct query_want want = {.dive = job->dive};
    dwca->job = job;
    if (job->options->dataset != NULL)
        dwca->dataset = *job->options->dataset;
    if (job->row == NULL)
        return export_fail(job, "an archive is made of a dive; there is none");
    int range = path_range(job, &dwca->from, &dwca->to);
    if (range != 0)
        return range < 0
                   ? -1
                   : export_fail(job,
                                 "the UTC of the dive's begin and end is not known; an event needs a date");
    if (dwcmedia_open(&dwca->media, job, job->options->media_index) != 0)
        return -1;
    if (window_open(&dwca->window, job->reader, dwca->from, dwca->to, channels) != 0 ||
        query_belongings(job->reader, job->dive, take_marker, dwca) < 0 ||
        query_remarks(job->reader, &want, take_remark, dwca) < 0 ||
        query_identifications(job->reader, &want, take_name, dwca) < 0 ||
        query_spans(job->reader, &want, take_span, dwca) < 0)
        return export_reader_failed(job);
    if (dwca->failed)
        return export_fail(job, "out of memory");
    if (dwca->pieces > 0)
        qsort(dwca->piece, dwca->pieces, sizeof dwca->piece[0], by_owner);
    return 0;
}

void dwca_close(struct dwca *dwca)
{
    window_close(&dwca->window);
    way_close(&dwca->way);
    dwcmedia_close(&dwca->media);
    for (size_t i = 0; i < DWC_TABLES; i++)
        dwcrow_close(&dwca->row[i]);
    free(dwca->piece);
    free(dwca->stay);
}

void dwca_id(const struct dwca *dwca, char out[DWCA_ID], char letter, uint32_t number, const char *suffix)
{
    char ref[REF_SIZE];
    if (letter == 'D')
        snprintf(ref, sizeof ref, "%s", dwca->job->dive);
    else
        entry_ref(ref, dwca->job->dive, letter, number);
    snprintf(out, DWCA_ID, "%s%s%s", dwca->dataset.id_prefix, ref, suffix);
}

static bool keep_marker(void *ctx, const struct query_marker *row)
{
    ((struct dwca *)ctx)->marker = *row;
    return false;
}

/* Of neighbours in the tables many ask for the marker that was looked up last. */
static bool find_marker(struct dwca *dwca, uint32_t number, bool brief)
{
    struct query_want want = {
        .dive = dwca->job->dive, .after = (int64_t)number - 1, .limit = 1, .brief = brief};
    if (number == 0)
        return false;
    if (dwca->marker.marker.number != number || (dwca->marker_brief && !brief)) {
        dwca->marker.marker.number = 0;
        dwca->marker_brief = brief;
        dwca->failed |= query_markers(dwca->job->reader, &want, keep_marker, dwca) < 0;
    }
    return dwca->marker.marker.number == number && !dwca->marker.struck;
}

bool dwca_find_marker(struct dwca *dwca, uint32_t number)
{
    return find_marker(dwca, number, false);
}

bool dwca_find_press(struct dwca *dwca, uint32_t number)
{
    return find_marker(dwca, number, true);
}

static bool keep_sighting(void *ctx, const struct query_sighting *row)
{
    ((struct dwca *)ctx)->sighting = *row;
    return false;
}

bool dwca_find_sighting(struct dwca *dwca, uint32_t number)
{
    struct query_want want = {
        .dive = dwca->job->dive, .after = (int64_t)number - 1, .limit = 1, .brief = true};
    dwca->sighting.sighting.number = 0;
    if (number == 0)
        return false;
    dwca->failed |= query_sightings(dwca->job->reader, &want, keep_sighting, dwca) < 0;
    return dwca->sighting.sighting.number == number && stands(dwca->sighting.sighting.state);
}

static bool keep_sample(void *ctx, const struct query_sample *row)
{
    ((struct dwca *)ctx)->sample = *row;
    return false;
}

bool dwca_find_sample(struct dwca *dwca, uint32_t number)
{
    struct query_want want = {.dive = dwca->job->dive, .after = (int64_t)number - 1, .limit = 1};
    dwca->sample.sample.number = 0;
    if (number == 0)
        return false;
    dwca->failed |= query_samples(dwca->job->reader, &want, keep_sample, dwca) < 0;
    return dwca->sample.sample.number == number && stands(dwca->sample.sample.state);
}

static bool keep_name(void *ctx, const struct query_identification *row)
{
    ((struct dwca *)ctx)->named = *row;
    return false;
}

bool dwca_find_name(struct dwca *dwca, char letter, uint32_t number)
{
    size_t count, first = dwca_pieces_of(dwca, letter, number, &count);
    memset(&dwca->named, 0, sizeof dwca->named);
    /* names come last, the latest at the end */
    if (count == 0 || dwca->piece[first + count - 1].kind != DWCA_NAME)
        return false;
    struct query_want want = {
        .dive = dwca->job->dive, .after = dwca->piece[first + count - 1].at - 1, .limit = 1};
    dwca->failed |= query_identifications(dwca->job->reader, &want, keep_name, dwca) < 0;
    return !dwca->failed;
}

bool dwca_sample_occurs(struct dwca *dwca, const struct query_sample *row)
{
    bool found = dwca_find_sighting(dwca, row->sample.sighting);
    return dwca_find_name(dwca, 'A', row->sample.number) || found;
}

utc_ns dwca_end(const struct dwca *dwca, const char *closed_by, utc_ns start, utc_ns end)
{
    if (closed_by[0] != '\0')
        return end.ns > start.ns ? end : start;
    return dwca->to.ns > start.ns ? dwca->to : start;
}

void dwca_place(struct dwca *dwca, uint32_t marker, utc_ns from, utc_ns to, struct dwca_place *out)
{
    *out = (struct dwca_place){.uncertainty_m = -1};
    out->depth_known = window_extremes(&dwca->window, 0, from, to, &out->least_m, &out->most_m);
    dwca->failed |= dwca->window.failed;
    if (!find_marker(dwca, marker, out->depth_known))
        return;
    const struct marker_telemetry *telemetry = &dwca->marker.marker.telemetry;
    out->known = telemetry->position.known;
    out->lat_deg = telemetry->position.lat_deg;
    out->lon_deg = telemetry->position.lon_deg;
    out->uncertainty_m = telemetry->position.uncertainty_m;
    for (uint32_t i = 0; i < telemetry->reading_count && !out->depth_known; i++) {
        if (strcmp(telemetry->reading[i].channel, "vehicle.depth_m") == 0) {
            out->depth_known = true;
            out->least_m = out->most_m = telemetry->reading[i].value;
        }
    }
}

size_t dwca_pieces_of(const struct dwca *dwca, char letter, uint32_t number, size_t *count)
{
    struct dwca_piece key = {.letter = letter, .number = number, .at = INT64_MIN};
    size_t low = 0, high = dwca->pieces;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (by_owner(&dwca->piece[middle], &key) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    *count = 0;
    while (low + *count < dwca->pieces && dwca->piece[low + *count].letter == letter &&
           dwca->piece[low + *count].number == number)
        (*count)++;
    return low;
}

bool dwca_term(const char *term, const char *name, const char *label, char *out, size_t size)
{
    size_t len = strlen(name);
    if (strncmp(term, "dwc:", 4) != 0 || strncmp(term + 4, name, len) != 0)
        return false;
    const char *rest = term + 4 + len;
    if (*rest != '=' && *rest != '\0')
        return false;
    snprintf(out, size, "%s", *rest == '=' ? rest + 1 : label);
    return true;
}

void dwca_join(char *list, size_t size, const char *text)
{
    size_t used = strlen(list);
    if (text[0] == '\0')
        return;
    snprintf(list + used, size - used, "%s%s", used > 0 ? " | " : "", text);
}
