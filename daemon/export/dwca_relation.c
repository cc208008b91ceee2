/*
 * dwca: animals that a relation ties, and samples to what they are of. A row reads resourceID, relationshipOfResource, relatedResourceID, as
 * the record reads tied_to, tie, this one: crab, eaten by, fish.
 */
#include "export/dwca.h"

static void put_relation(struct dwca *dwca, const char *event, const char *id, const char *from,
                         const char *to, const char *relation, utc_ns at)
{
    struct dwcrow *row = &dwca->row[DWC_RELATION];
    dwcrow_texts(row, 6, (const char *const[]){event, id, from, to, relation, ""});
    dwcrow_utc(row, at);
    dwcrow_empty(row);
    dwcrow_end(row);
}

void dwca_sighting_relation(struct dwca *dwca, const struct sighting_entry *sighting)
{
    char event[DWCA_ID], id[DWCA_ID], from[DWCA_ID], to[DWCA_ID], relation[TERM_SIZE];
    if (!dwca_find_sighting(dwca, sighting->tied_to))
        return;
    if (!dwca_term(sighting->tie_term, "relationshipOfResource", sighting->tie, relation, sizeof relation))
        snprintf(relation, sizeof relation, "%s", sighting->tie);
    dwca_id(dwca, event, 'S', sighting->tied_to, "");
    dwca_id(dwca, id, 'S', sighting->number, "-R");
    dwca_id(dwca, from, 'S', sighting->tied_to, "-O");
    dwca_id(dwca, to, 'S', sighting->number, "-O");
    put_relation(dwca, event, id, from, to, relation, sighting->start);
}

void dwca_sample_relation(struct dwca *dwca, const struct sample_entry *sample)
{
    char event[DWCA_ID], id[DWCA_ID], from[DWCA_ID], to[DWCA_ID];
    if (!dwca_find_sighting(dwca, sample->sighting))
        return;
    dwca_id(dwca, event, 'A', sample->number, "");
    dwca_id(dwca, id, 'A', sample->number, "-R");
    dwca_id(dwca, from, 'A', sample->number, "-O");
    dwca_id(dwca, to, 'S', sample->sighting, "-O");
    put_relation(dwca, event, id, from, to, "material sample of", sample->taken);
}
