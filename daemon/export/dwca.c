/*
 * dwca: a Darwin Core Archive (https://dwc.tdwg.org/text/): a zip of meta.xml, eml.xml, an event core and the extensions occurrence,
 * identification, extended measurement or fact (OBIS) and resource relationship. Terms and their use follow the OBIS manual where it says
 * something; docs/formats.md has the whole mapping.
 */
#include "export/dwca.h"

#include <stdlib.h>

static int write_tables(struct dwca *dwca)
{
    static int (*const tables[])(struct dwca *) = {
        dwca_eml, dwca_events, dwca_occurrences, dwca_identifications, dwca_measurements, dwca_relations};
    if (!dwctable_meta(dwca->zip))
        return export_fail(dwca->job, "out of memory");
    for (size_t i = 0; i < sizeof tables / sizeof tables[0]; i++)
        if (tables[i](dwca) != 0)
            return -1;
    return 0;
}

static int write_zip(struct dwca *dwca)
{
    char why[200];
    dwca->zip = dwczip_open(dwca->job->out);
    if (dwca->zip == NULL)
        return export_fail(dwca->job, "out of memory");
    int result = write_tables(dwca);
    if (!dwczip_close(dwca->zip, why, sizeof why) && result == 0)
        result = export_fail(dwca->job, "the archive: %s", why);
    return result;
}

static int write_dwca(struct export_job *job)
{
    struct dwca *dwca = calloc(1, sizeof *dwca);
    if (dwca == NULL)
        return export_fail(job, "out of memory");
    int result = dwca_open(dwca, job);
    if (result == 0)
        result = write_zip(dwca);
    dwca_close(dwca);
    free(dwca);
    return result;
}

const struct export_format export_dwca = {.name = "dwca",
                                          .summary =
                                              "occurrences for biodiversity archives (Darwin Core Archive)",
                                          .write = write_dwca};
