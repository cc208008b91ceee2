#include "export/dwctable.h"

#include "core/event.h"
#include "export/decimal.h"
#include "export/plain.h"
#include "export/spool.h"
#include "export/xmlout.h"

#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <string.h>

#define DWC "http://rs.tdwg.org/dwc/terms/"
#define DCTERMS "http://purl.org/dc/terms/"
#define OBIS "http://rs.iobis.org/obis/terms/"

static const char *const EVENT_TERMS[] = {DWC "eventID",
                                          DWC "parentEventID",
                                          DWC "eventType",
                                          DWC "eventDate",
                                          DWC "decimalLatitude",
                                          DWC "decimalLongitude",
                                          DWC "geodeticDatum",
                                          DWC "coordinateUncertaintyInMeters",
                                          DWC "minimumDepthInMeters",
                                          DWC "maximumDepthInMeters",
                                          DWC "footprintWKT",
                                          DWC "footprintSRS",
                                          DWC "locality",
                                          DWC "samplingProtocol",
                                          DWC "samplingEffort",
                                          DWC "fieldNumber",
                                          DWC "institutionCode",
                                          DWC "datasetID",
                                          DWC "datasetName",
                                          DCTERMS "license",
                                          DCTERMS "rightsHolder",
                                          DWC "eventRemarks",
                                          NULL};

static const char *const OCCURRENCE_TERMS[] = {DWC "eventID",
                                               DWC "occurrenceID",
                                               DWC "basisOfRecord",
                                               DWC "occurrenceStatus",
                                               DWC "recordedBy",
                                               DWC "individualCount",
                                               DWC "sex",
                                               DWC "lifeStage",
                                               DWC "reproductiveCondition",
                                               DWC "vitality",
                                               DWC "behavior",
                                               DWC "organismID",
                                               DWC "materialSampleID",
                                               DWC "recordNumber",
                                               DWC "associatedMedia",
                                               DWC "scientificName",
                                               DWC "scientificNameID",
                                               DWC "taxonRank",
                                               DWC "vernacularName",
                                               DWC "verbatimIdentification",
                                               DWC "identificationQualifier",
                                               DWC "identifiedBy",
                                               DWC "dateIdentified",
                                               DWC "institutionCode",
                                               DWC "collectionCode",
                                               DWC "occurrenceRemarks",
                                               NULL};

static const char *const IDENTIFICATION_TERMS[] = {DWC "eventID",
                                                   DWC "identificationID",
                                                   DWC "occurrenceID",
                                                   DWC "scientificName",
                                                   DWC "scientificNameID",
                                                   DWC "taxonRank",
                                                   DWC "verbatimIdentification",
                                                   DWC "identificationQualifier",
                                                   DWC "identifiedBy",
                                                   DWC "dateIdentified",
                                                   DWC "identificationRemarks",
                                                   NULL};

static const char *const MEASUREMENT_TERMS[] = {DWC "eventID",
                                                DWC "measurementID",
                                                DWC "occurrenceID",
                                                DWC "measurementType",
                                                OBIS "measurementTypeID",
                                                DWC "measurementValue",
                                                DWC "measurementAccuracy",
                                                DWC "measurementUnit",
                                                OBIS "measurementUnitID",
                                                DWC "measurementDeterminedDate",
                                                DWC "measurementDeterminedBy",
                                                DWC "measurementMethod",
                                                DWC "measurementRemarks",
                                                NULL};

static const char *const RELATION_TERMS[] = {DWC "eventID",
                                             DWC "resourceRelationshipID",
                                             DWC "resourceID",
                                             DWC "relatedResourceID",
                                             DWC "relationshipOfResource",
                                             DWC "relationshipAccordingTo",
                                             DWC "relationshipEstablishedDate",
                                             DWC "relationshipRemarks",
                                             NULL};

const struct dwctable dwctables[DWC_TABLES] = {
    {"event.txt", DWC "Event", true, EVENT_TERMS},
    {"occurrence.txt", DWC "Occurrence", false, OCCURRENCE_TERMS},
    {"identification.txt", DWC "Identification", false, IDENTIFICATION_TERMS},
    {"extendedmeasurementorfact.txt", OBIS "ExtendedMeasurementOrFact", false, MEASUREMENT_TERMS},
    {"resourcerelationship.txt", DWC "ResourceRelationship", false, RELATION_TERMS}};

static void put_down(struct dwcrow *row)
{
    fwrite(row->bytes, 1, row->used, row->rows);
    row->used = 0;
}

static void put(struct dwcrow *row, const char *bytes, size_t len)
{
    if (len > sizeof row->bytes - row->used)
        put_down(row);
    if (len > sizeof row->bytes) {
        fwrite(bytes, 1, len, row->rows);
        return;
    }
    memcpy(row->bytes + row->used, bytes, len);
    row->used += len;
}

bool dwcrow_open(struct dwcrow *row, enum dwctable_which which)
{
    row->rows = spool_open();
    if (row->rows == NULL)
        return false;
    row->table = &dwctables[which];
    row->columns = row->at = row->used = 0;
    while (row->table->terms[row->columns] != NULL)
        row->columns++;
    for (size_t i = 0; i < row->columns; i++)
        dwcrow_text(row, strrchr(row->table->terms[i], '/') + 1);
    dwcrow_end(row);
    return true;
}

void dwcrow_close(struct dwcrow *row)
{
    if (row->rows != NULL)
        fclose(row->rows);
    row->rows = NULL;
}

bool dwcrow_pour(struct dwcrow *row, struct dwczip *zip)
{
    char bytes[32768];
    size_t len;
    put_down(row);
    if (ferror(row->rows) != 0 || fseek(row->rows, 0, SEEK_SET) != 0)
        return false;
    dwczip_entry(zip, row->table->file);
    while ((len = fread(bytes, 1, sizeof bytes, row->rows)) > 0)
        dwczip_write(zip, bytes, len);
    return ferror(row->rows) == 0;
}

/* The bytes that stay as they are: ASCII that can be printed. */
static size_t printable(const char *text)
{
    size_t len = 0;
    while (text[len] >= 0x20 && text[len] < 0x7F)
        len++;
    return len;
}

void dwcrow_text(struct dwcrow *row, const char *text)
{
    char unit[PLAIN_UNIT];
    assert(row->at < row->columns);
    if (row->at++ > 0)
        put(row, "\t", 1);
    do {
        size_t len = printable(text);
        put(row, text, len);
        text = plain_next(text + len, unit);
        if (text != NULL)
            put(row, unit, strlen(unit));
    } while (text != NULL);
}

void dwcrow_texts(struct dwcrow *row, size_t count, const char *const *texts)
{
    for (size_t i = 0; i < count; i++)
        dwcrow_text(row, texts[i]);
}

void dwcrow_empty(struct dwcrow *row)
{
    dwcrow_text(row, "");
}

void dwcrow_int(struct dwcrow *row, int64_t value)
{
    char text[32];
    snprintf(text, sizeof text, "%" PRId64, value);
    dwcrow_text(row, text);
}

void dwcrow_real(struct dwcrow *row, double value, int decimals)
{
    char text[DECIMAL_SIZE] = "";
    if (isfinite(value))
        decimal_put_short(text, value, decimals);
    dwcrow_text(row, text);
}

void dwcrow_utc(struct dwcrow *row, utc_ns utc)
{
    char text[32];
    event_utc_text(utc, text);
    dwcrow_text(row, text);
}

void dwcrow_end(struct dwcrow *row)
{
    assert(row->at == row->columns);
    put(row, "\n", 1);
    row->at = 0;
}

/* -- meta.xml -- */

static int to_zip(void *ctx, const char *bytes, int len)
{
    dwczip_write(ctx, bytes, (size_t)len);
    return len;
}

static void put_index(xmlTextWriter *xml, const char *element, size_t index, const char *term)
{
    char text[16];
    xmlout_start(xml, element);
    snprintf(text, sizeof text, "%zu", index);
    xmlout_attribute(xml, "index", text);
    if (term != NULL)
        xmlout_attribute(xml, "term", term);
    xmlout_end(xml);
}

static void put_table(xmlTextWriter *xml, const struct dwctable *table)
{
    xmlout_start(xml, table->core ? "core" : "extension");
    xmlout_attribute(xml, "encoding", "UTF-8");
    xmlout_attribute(xml, "fieldsTerminatedBy", "\\t");
    xmlout_attribute(xml, "linesTerminatedBy", "\\n");
    xmlout_attribute(xml, "fieldsEnclosedBy", "");
    xmlout_attribute(xml, "ignoreHeaderLines", "1");
    xmlout_attribute(xml, "rowType", table->row_type);
    xmlout_start(xml, "files");
    xmlout_element(xml, "location", table->file);
    xmlout_end(xml);
    put_index(xml, table->core ? "id" : "coreid", 0, NULL);
    for (size_t i = 0; table->terms[i] != NULL; i++)
        put_index(xml, "field", i, table->terms[i]);
    xmlout_end(xml);
}

bool dwctable_meta(struct dwczip *zip)
{
    dwczip_entry(zip, "meta.xml");
    xmlTextWriter *xml = xmlout_open_sink(to_zip, zip);
    if (xml == NULL)
        return false;
    xmlout_start(xml, "archive");
    xmlout_attribute(xml, "xmlns", "http://rs.tdwg.org/dwc/text/");
    xmlout_attribute(xml, "metadata", "eml.xml");
    for (size_t i = 0; i < DWC_TABLES; i++)
        put_table(xml, &dwctables[i]);
    xmlout_close(xml);
    return true;
}
