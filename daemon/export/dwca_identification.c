/* dwca: every name that was given, first to last; nothing is overwritten. The latest is also in the occurrence. */
#include "export/dwca.h"

#include <inttypes.h>

static bool identification_row(void *ctx, const struct query_identification *row)
{
    struct dwca *dwca = ctx;
    struct dwcrow *table = &dwca->row[DWC_IDENTIFICATION];
    const struct identification_entry *name = &row->identification;
    char dive[DIVE_ID_SIZE], letter, event[DWCA_ID], occurrence[DWCA_ID], id[DWCA_ID];
    uint32_t number;
    if (!entry_ref_parse(name->target, dive, &letter, &number))
        return true;
    /* a sample with a name is an occurrence */
    if (letter == 'S' ? !dwca_find_sighting(dwca, number) : letter != 'A' || !dwca_find_sample(dwca, number))
        return !dwca->failed;
    dwca_id(dwca, event, letter, number, "");
    dwca_id(dwca, occurrence, letter, number, "-O");
    snprintf(id, sizeof id, "%s%s-I%" PRId64, dwca->dataset.id_prefix, dwca->job->dive, row->made.seq);
    dwcrow_texts(table, 9,
                 (const char *const[]){event, id, occurrence, name->name, name->name_id, name->rank,
                                       name->verbatim, name->qualifier, name->by});
    if (row->made.at.trust != CLOCK_TRUST_NONE)
        dwcrow_utc(table, row->made.at.utc);
    else
        dwcrow_empty(table);
    dwcrow_text(table, name->why);
    dwcrow_end(table);
    return !dwca->failed;
}

int dwca_identifications(struct dwca *dwca)
{
    struct query_want want = {.dive = dwca->job->dive};
    if (query_identifications(dwca->job->reader, &want, identification_row, dwca) < 0 || dwca->failed)
        return export_reader_failed(dwca->job);
    return 0;
}
