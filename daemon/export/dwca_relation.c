/*
 * dwca: animals that a relation ties, and samples to what they are of. A row reads resourceID, relationshipOfResource, relatedResourceID, as
 * the record reads tied_to, tie, this one: crab, eaten by, fish.
 */
#include "export/dwca.h"

#include "export/stands.h"

static void put_relation(struct dwca *dwca, const char *event, const char *id, const char *from,
                         const char *to, const char *relation, utc_ns at)
{
    dwcrow_texts(&dwca->row, 6, (const char *const[]){event, id, from, to, relation, ""});
    dwcrow_utc(&dwca->row, at);
    dwcrow_empty(&dwca->row);
    dwcrow_end(&dwca->row);
}

static bool sighting_row(void *ctx, const struct query_sighting *row)
{
    struct dwca *dwca = ctx;
    const struct sighting_entry *sighting = &row->sighting;
    char event[DWCA_ID], id[DWCA_ID], from[DWCA_ID], to[DWCA_ID], relation[TERM_SIZE];
    if (!stands(sighting->state) || !dwca_find_sighting(dwca, sighting->tied_to))
        return !dwca->failed;
    if (!dwca_term(sighting->tie_term, "relationshipOfResource", sighting->tie, relation, sizeof relation))
        snprintf(relation, sizeof relation, "%s", sighting->tie);
    dwca_id(dwca, event, 'S', sighting->tied_to, "");
    dwca_id(dwca, id, 'S', sighting->number, "-R");
    dwca_id(dwca, from, 'S', sighting->tied_to, "-O");
    dwca_id(dwca, to, 'S', sighting->number, "-O");
    put_relation(dwca, event, id, from, to, relation, sighting->start);
    return !dwca->failed;
}

static bool sample_row(void *ctx, const struct query_sample *row)
{
    struct dwca *dwca = ctx;
    const struct sample_entry *sample = &row->sample;
    char event[DWCA_ID], id[DWCA_ID], from[DWCA_ID], to[DWCA_ID];
    if (!stands(sample->state) || !dwca_find_sighting(dwca, sample->sighting))
        return !dwca->failed;
    dwca_id(dwca, event, 'A', sample->number, "");
    dwca_id(dwca, id, 'A', sample->number, "-R");
    dwca_id(dwca, from, 'A', sample->number, "-O");
    dwca_id(dwca, to, 'S', sample->sighting, "-O");
    put_relation(dwca, event, id, from, to, "material sample of", sample->taken);
    return !dwca->failed;
}

int dwca_relations(struct dwca *dwca)
{
    struct query_want want = {.dive = dwca->job->dive};
    dwcrow_open(&dwca->row, dwca->zip, DWC_RELATION);
    if (query_sightings(dwca->job->reader, &want, sighting_row, dwca) < 0 ||
        query_samples(dwca->job->reader, &want, sample_row, dwca) < 0 || dwca->failed)
        return export_reader_failed(dwca->job);
    return 0;
}
