/* dwca: occurrences. */
#include "export/dwca.h"

#include "core/openname.h"

#include <string.h>

/* Terms that a detail key may stand for and that have a column here. */
static const char *const DETAIL[] = {"sex", "lifeStage", "reproductiveCondition", "vitality", "behavior"};
enum { DETAILS = sizeof DETAIL / sizeof DETAIL[0] };

struct name {
    char scientific[LABEL_SIZE * 2];
    const char *id, *rank, *verbatim, *qualifier, *by;
    char vernacular[LABEL_SIZE * 2];
    bool dated;
    utc_ns at;
};

struct occurrence {
    struct dwca *dwca;
    char detail[DETAILS][DWCA_TEXT / 4];
    char recorded_by[DWCA_TEXT / 4];
    char remarks[DWCA_TEXT * 4];
};

/* Every marker and remark of a sighting or sample adds what it has; a detail that has no column here becomes a fact. */
static bool take_remark(void *ctx, const struct query_remark *row)
{
    struct occurrence *occurrence = ctx;
    dwca_join(occurrence->remarks, sizeof occurrence->remarks, row->remark.text);
    return false;
}

static void take_marker(struct occurrence *occurrence)
{
    const struct marker *marker = &occurrence->dwca->marker.marker;
    char text[TERM_SIZE];
    bool has_column = false;
    for (size_t i = 0; i < DETAILS; i++) {
        if (dwca_term(marker->term, DETAIL[i], marker->label, text, sizeof text)) {
            dwca_join(occurrence->detail[i], sizeof occurrence->detail[i], text);
            has_column = true;
        }
    }
    if (strcmp(marker->kind, "detail") == 0 && !has_column)
        dwca_join(occurrence->remarks, sizeof occurrence->remarks, marker->label);
    dwca_join(occurrence->remarks, sizeof occurrence->remarks, marker->note);
    const char *who = marker->who[0] != '\0' ? marker->who : marker->by;
    if (strstr(occurrence->recorded_by, who) == NULL)
        dwca_join(occurrence->recorded_by, sizeof occurrence->recorded_by, who);
}

static void gather(struct occurrence *occurrence, char letter, uint32_t number)
{
    struct dwca *dwca = occurrence->dwca;
    size_t count, first = dwca_pieces_of(dwca, letter, number, &count);
    for (size_t i = first; i < first + count; i++) {
        const struct dwca_piece *piece = &dwca->piece[i];
        struct query_want want = {.dive = dwca->job->dive, .after = piece->at - 1, .limit = 1};
        if (piece->kind == DWCA_REMARK)
            dwca->failed |= query_remarks(dwca->job->reader, &want, take_remark, occurrence) < 0;
        if (piece->kind != DWCA_MARKER || !dwca_find_press(dwca, (uint32_t)piece->at))
            continue;
        take_marker(occurrence);
        dwca_detail_fact(dwca, number);
    }
}

/* A name as a person gave it: dwca->named. */
static void given_name(const struct dwca *dwca, struct name *name)
{
    const struct identification_entry *from = &dwca->named.identification;
    struct openname parsed;
    const char *why;
    snprintf(name->scientific, sizeof name->scientific, "%s", from->name);
    if (dwca->dataset.strict_names && openname_qualify(from->name, from->qualifier, &parsed, &why))
        openname_strict_name(&parsed, name->scientific);
    name->id = strcmp(name->scientific, from->name) == 0 ? from->name_id : "";
    name->rank = strcmp(name->scientific, from->name) == 0 ? from->rank : "";
    name->verbatim = from->verbatim[0] != '\0' ? from->verbatim : from->name;
    name->qualifier = from->qualifier;
    name->by = from->by;
    name->dated = dwca->named.made.at.trust != CLOCK_TRUST_NONE;
    name->at = dwca->named.made.at.utc;
}

/* What the key says, where nobody named it. */
static void key_name(const char *label, const char *term, const char *who, struct name *name)
{
    if (!dwca_term(term, "scientificName", label, name->scientific, sizeof name->scientific))
        snprintf(name->scientific, sizeof name->scientific, "%s", DWCA_NO_NAME);
    name->id = name->rank = name->qualifier = "";
    name->verbatim = label;
    name->by = who;
}

static void put_media(struct dwca *dwca, uint32_t sighting)
{
    char list[DWCA_TEXT * 4], file[DWCA_TEXT];
    list[0] = '\0';
    for (size_t i = 0; i < dwca->media.count && sighting != 0; i++) {
        if (dwca->media.file[i].sighting != sighting)
            continue;
        snprintf(file, sizeof file, "%s%s", dwca->dataset.media_base, dwca->media.file[i].name);
        dwca_join(list, sizeof list, file);
    }
    dwcrow_text(&dwca->row[DWC_OCCURRENCE], list);
}

static void put_name(struct dwcrow *row, const struct name *name)
{
    dwcrow_texts(row, 7,
                 (const char *const[]){name->scientific, name->id, name->rank, name->vernacular,
                                       name->verbatim, name->qualifier, name->by});
    if (name->dated)
        dwcrow_utc(row, name->at);
    else
        dwcrow_empty(row);
}

/* The first sighting of the same animal. Leaves dwca->sighting changed. */
static uint32_t first_of(struct dwca *dwca, uint32_t number, uint32_t again_of)
{
    while (again_of != 0 && again_of < number && dwca_find_sighting(dwca, again_of)) {
        number = again_of;
        again_of = dwca->sighting.sighting.again_of;
    }
    return number;
}

static void put_details(struct dwcrow *row, struct occurrence *occurrence)
{
    for (size_t i = 0; i < DETAILS; i++)
        dwcrow_text(row, occurrence->detail[i]);
}

void dwca_sighting_occurrence(struct dwca *dwca, const struct query_sighting *found)
{
    const struct sighting_entry *sighting = &found->sighting;
    struct dwcrow *row = &dwca->row[DWC_OCCURRENCE];
    struct occurrence occurrence = {.dwca = dwca};
    struct name name = {0};
    char id[DWCA_ID], event[DWCA_ID];
    gather(&occurrence, 'S', sighting->number);
    if (dwca_find_name(dwca, 'S', sighting->number))
        given_name(dwca, &name);
    else
        key_name(sighting->label, sighting->term, occurrence.recorded_by, &name);
    dwca_term(sighting->term, "vernacularName", sighting->label, name.vernacular, sizeof name.vernacular);
    dwca_id(dwca, event, 'S', sighting->number, "");
    dwca_id(dwca, id, 'S', sighting->number, "-O");
    const char *basis = dwca->dataset.basis[0] != '\0' ? dwca->dataset.basis : "MachineObservation";
    dwcrow_texts(row, 5, (const char *const[]){event, id, basis, "present", occurrence.recorded_by});
    dwcrow_int(row, sighting->individuals);
    put_details(row, &occurrence);
    dwca_id(dwca, id, 'S', first_of(dwca, sighting->number, sighting->again_of), "-G");
    dwcrow_text(row, id);
    dwcrow_empty(row);
    dwcrow_text(row, found->ref);
    put_media(dwca, sighting->number);
    put_name(row, &name);
    dwcrow_texts(row, 3,
                 (const char *const[]){dwca->dataset.institution_code, dwca->dataset.collection_code,
                                       occurrence.remarks});
    dwcrow_end(row);
}

void dwca_sample_occurrence(struct dwca *dwca, const struct query_sample *found)
{
    const struct sample_entry *sample = &found->sample;
    struct dwcrow *row = &dwca->row[DWC_OCCURRENCE];
    struct occurrence occurrence = {.dwca = dwca};
    struct name name = {0};
    char id[DWCA_ID], event[DWCA_ID];
    if (!dwca_sample_occurs(dwca, found))
        return;
    /* its own name, else that of what it was taken of */
    if (dwca_find_name(dwca, 'A', sample->number) || dwca_find_name(dwca, 'S', sample->sighting))
        given_name(dwca, &name);
    else
        key_name(sample->label, sample->term, "", &name);
    if (dwca_find_press(dwca, sample->marker))
        dwca_join(occurrence.recorded_by, sizeof occurrence.recorded_by, dwca->marker.marker.who);
    gather(&occurrence, 'A', sample->number);
    dwca_join(occurrence.remarks, sizeof occurrence.remarks, sample->note);
    dwca_id(dwca, event, 'A', sample->number, "");
    dwca_id(dwca, id, 'A', sample->number, "-O");
    dwcrow_texts(row, 5,
                 (const char *const[]){event, id, "MaterialSample", "present", occurrence.recorded_by});
    dwcrow_empty(row); /* how many individuals are in it nobody counted */
    put_details(row, &occurrence);
    id[0] = '\0';
    if (dwca_find_sighting(dwca, sample->sighting))
        dwca_id(dwca, id, 'S', first_of(dwca, sample->sighting, dwca->sighting.sighting.again_of), "-G");
    dwcrow_text(row, id);
    dwca_id(dwca, id, 'A', sample->number, "-M");
    dwcrow_text(row, id);
    dwcrow_text(row, found->ref);
    dwcrow_empty(row);
    put_name(row, &name);
    dwcrow_texts(row, 3,
                 (const char *const[]){dwca->dataset.institution_code, dwca->dataset.collection_code,
                                       occurrence.remarks});
    dwcrow_end(row);
}
