/*
 * dwca: a Darwin Core Archive (https://dwc.tdwg.org/text/): a zip of meta.xml, eml.xml, an event core and the extensions occurrence,
 * identification, extended measurement or fact (OBIS) and resource relationship. Terms and their use follow the OBIS manual where it says
 * something; docs/formats.md has the whole mapping.
 */
#include "export/dwca.h"

#include "export/stands.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

/* -- a record at a time, into every table that has something of it, so that its presses are looked up once -- */

static bool sighting_row(void *ctx, const struct query_sighting *row)
{
    struct dwca *dwca = ctx;
    const struct sighting_entry *sighting = &row->sighting;
    if (!stands(sighting->state))
        return true;
    dwca_find_marker(dwca, sighting->first_marker); /* with its readings: the event would do without */
    dwca_sighting_event(dwca, sighting);
    dwca_sighting_facts(dwca, sighting);
    dwca_sighting_occurrence(dwca, row);
    dwca_sighting_relation(dwca, sighting);
    return !dwca->failed;
}

static bool sample_row(void *ctx, const struct query_sample *row)
{
    struct dwca *dwca = ctx;
    const struct sample_entry *sample = &row->sample;
    if (!stands(sample->state))
        return true;
    dwca_find_marker(dwca, sample->marker);
    dwca_sample_event(dwca, sample);
    dwca_sample_facts(dwca, sample);
    dwca_sample_occurrence(dwca, row);
    dwca_sample_relation(dwca, sample);
    return !dwca->failed;
}

static int write_rows(struct dwca *dwca)
{
    struct query_want want = {.dive = dwca->job->dive, .brief = true};
    if (dwca_dive_events(dwca) != 0)
        return -1;
    if (query_sightings(dwca->job->reader, &want, sighting_row, dwca) < 0 ||
        query_samples(dwca->job->reader, &want, sample_row, dwca) < 0 || dwca->failed)
        return export_reader_failed(dwca->job);
    return dwca_identifications(dwca) != 0 || dwca_measurements(dwca) != 0 ? -1 : 0;
}

static int spool_failed(struct dwca *dwca)
{
    return export_fail(dwca->job, "a temporary file cannot be used: %s", strerror(errno));
}

static int write_tables(struct dwca *dwca)
{
    if (!dwctable_meta(dwca->zip))
        return export_fail(dwca->job, "out of memory");
    if (dwca_eml(dwca) != 0)
        return -1;
    for (size_t i = 0; i < DWC_TABLES; i++)
        if (!dwcrow_open(&dwca->row[i], (enum dwctable_which)i))
            return spool_failed(dwca);
    if (write_rows(dwca) != 0)
        return -1;
    for (size_t i = 0; i < DWC_TABLES; i++)
        if (!dwcrow_pour(&dwca->row[i], dwca->zip))
            return spool_failed(dwca);
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
