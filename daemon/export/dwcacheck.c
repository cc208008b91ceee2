#include "export/dwcacheck.h"

#include "export/dwca.h"
#include "export/stands.h"

#include <stdlib.h>
#include <string.h>

struct check {
    struct dwca dwca;
    dwcacheck_row *row;
    void *ctx;
    int64_t items;
};

static void tell(struct check *check, bool required, const char *ref, const char *term, const char *what,
                 const char *todo)
{
    struct dwcacheck_item item = {required, ref, term, what, todo};
    check->items++;
    check->row(check->ctx, &item);
}

/* -- of the data set as a whole -- */

static void check_dataset(struct check *check)
{
    const struct export_dataset *set = &check->dwca.dataset;
    const struct {
        bool required;
        const char *value, *term, *what, *todo;
    } asked[] = {
        {true, set->license, "license", "no licence",
         "license = URI in [dataset], such as that of CC0 or CC BY"},
        {true, set->institution_code, "institutionCode", "no institution code",
         "institution_code = CODE in [dataset]"},
        {true, set->title, "EML title", "no title", "title = TEXT in [dataset]"},
        {true, set->creator[0] != '\0' ? set->creator : set->organization, "EML creator",
         "nobody is named as its maker", "creator = NAME or organization = NAME in [dataset]"},
        {true, set->email, "EML contact", "no address to write to", "email = ADDRESS in [dataset]"},
        {false, set->abstract, "EML abstract", "no abstract of its own", "abstract = TEXT in [dataset]"},
        {false, set->dataset_id, "datasetID", "no identifier of the data set",
         "dataset_id = DOI or URI in [dataset]"},
        {false, set->id_prefix, "eventID", "identifiers are unique on this ship alone",
         "id_prefix = TEXT in [dataset], such as urn:catalog:CODE:CRUISE:"},
        {false, set->rights_holder, "rightsHolder", "no holder of rights",
         "rights_holder = NAME in [dataset]"}};
    for (size_t i = 0; i < sizeof asked / sizeof asked[0]; i++)
        if (asked[i].value[0] == '\0')
            tell(check, asked[i].required, "dataset", asked[i].term, asked[i].what, asked[i].todo);
    if (check->dwca.media.count > 0 && set->media_base[0] == '\0')
        tell(check, false, "dataset", "associatedMedia", "names of files, which nobody else can open",
             "media_base = URL in [dataset]");
}

static void check_dive(struct check *check)
{
    const struct query_dive *row = check->dwca.job->row;
    if (row->dive.site[0] == '\0')
        tell(check, false, row->id, "locality", "the site has no name",
             "site = NAME in [dive] before the next dive");
    if (row->open)
        tell(check, true, row->id, "eventDate", "the dive is still open", "bellrope dive end");
    if (row->begun.trust == CLOCK_TRUST_UNSYNCED)
        tell(check, false, row->id, "eventDate", "the clock was not synchronised when the dive began",
             "compare with another clock and say the difference in the abstract");
}

/* -- of a sighting or sample -- */

/* The place is that of dwca->marker, if it was found. */
static void check_place(struct check *check, const char *ref, bool found)
{
    const struct marker *marker = &check->dwca.marker.marker;
    if (!found || !marker->telemetry.position.known) {
        tell(check, true, ref, "decimalLatitude", "no position at its first press",
             "was the positioning feed silent? bellrope doctor says when");
        return;
    }
    if (marker->telemetry.position.uncertainty_m < 0)
        tell(check, false, ref, "coordinateUncertaintyInMeters", "the position's uncertainty is not known",
             "it comes from the vehicle's positioning; a ship's position has none");
    if (strcmp(marker->telemetry.position.source, "ship") == 0)
        tell(check, false, ref, "decimalLatitude", "the position is the ship's, not the vehicle's",
             "say so in the abstract");
    if (marker->when.trust == CLOCK_TRUST_NONE)
        tell(check, true, ref, "eventDate", "no UTC was known when it was pressed",
             "give the daemon a clock: [utc] source");
    if (marker->when.trust == CLOCK_TRUST_UNSYNCED)
        tell(check, false, ref, "eventDate", "its time is not certain: the clock was not synchronised",
             "compare with another clock and say the difference in the abstract");
    if (marker->who[0] == '\0' && marker->by[0] == '\0')
        tell(check, false, ref, "recordedBy", "nobody sat at the seat",
             "bellrope seat SEAT --who NAME when the watch begins");
}

static void check_depth(struct check *check, const char *ref, uint32_t marker, utc_ns from, utc_ns to)
{
    struct dwca_place place;
    dwca_place(&check->dwca, marker, from, to, &place);
    if (!place.depth_known)
        tell(check, false, ref, "minimumDepthInMeters", "no depth was measured",
             "was the pressure feed silent? bellrope doctor says when");
    check_place(check, ref, check->dwca.marker.marker.number == marker);
}

/* The name is dwca->named, if it was found. */
static void check_name(struct check *check, const char *ref, bool found, const char *term, const char *label)
{
    const struct identification_entry *name = &check->dwca.named.identification;
    char by_key[TERM_SIZE];
    if (!found && !dwca_term(term, "scientificName", label, by_key, sizeof by_key))
        tell(check, true, ref, "scientificName", "no name; exported as " DWCA_NO_NAME,
             "bellrope identify REF NAME");
    else if (!found)
        tell(check, false, ref, "scientificNameID", "the name is the key's, without an identifier",
             "bellrope identify REF NAME --name-id ID");
    else if (name->name_id[0] == '\0')
        tell(check, false, ref, "scientificNameID", "the name is on no checklist",
             "bellrope identify REF NAME with a checklist, or --name-id ID");
    if (found && name->by[0] == '\0')
        tell(check, false, ref, "identifiedBy", "who named it is not said",
             "bellrope identify REF NAME --by WHO");
}

static bool sighting_row(void *ctx, const struct query_sighting *row)
{
    struct check *check = ctx;
    const struct sighting_entry *sighting = &row->sighting;
    if (!stands(sighting->state))
        return true;
    check_name(check, row->ref, dwca_find_name(&check->dwca, 'S', sighting->number), sighting->term,
               sighting->label);
    check_depth(check, row->ref, sighting->first_marker, sighting->start,
                dwca_end(&check->dwca, sighting->closed_by, sighting->start, sighting->end));
    return !check->dwca.failed;
}

static bool sample_row(void *ctx, const struct query_sample *row)
{
    struct check *check = ctx;
    struct dwca *dwca = &check->dwca;
    const struct sample_entry *sample = &row->sample;
    if (!stands(sample->state))
        return true;
    if (dwca_sample_occurs(dwca, row)) {
        bool found = dwca_find_name(dwca, 'A', sample->number) || dwca_find_name(dwca, 'S', sample->sighting);
        check_name(check, row->ref, found, sample->term, sample->label);
    } else {
        tell(check, false, row->ref, "materialSampleID",
             "tied to no sighting and without a name: it is an event, not an occurrence",
             "bellrope identify REF NAME once somebody knows");
    }
    check_depth(check, row->ref, sample->marker, (utc_ns){sample->taken.ns - NS_PER_S},
                (utc_ns){sample->taken.ns + NS_PER_S});
    return !dwca->failed;
}

static int check_all(struct export_job *job)
{
    struct check *check = job->ctx;
    struct query_want want = {.dive = job->dive};
    int result = dwca_open(&check->dwca, job);
    if (result == 0) {
        check_dataset(check);
        check_dive(check);
        if (query_sightings(job->reader, &want, sighting_row, check) < 0 ||
            query_samples(job->reader, &want, sample_row, check) < 0 || check->dwca.failed)
            result = export_reader_failed(job);
    }
    dwca_close(&check->dwca);
    return result;
}

int64_t dwcacheck(struct store_reader *reader, const struct export_options *options, dwcacheck_row *row,
                  void *ctx, char why[EXPORT_WHY_SIZE])
{
    struct check *check = calloc(1, sizeof *check);
    struct export_job job = {.reader = reader, .options = options, .ctx = check, .why = why};
    if (check == NULL)
        return export_fail(&job, "out of memory");
    check->row = row;
    check->ctx = ctx;
    int64_t result = export_with_dive(&job, check_all) == 0 ? check->items : -1;
    free(check);
    return result;
}
