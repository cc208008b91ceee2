/*
 * dwca: eml.xml, what the data set is, in Ecological Metadata Language 2.2.0 (elements and their order from memory of the schema): title,
 * creator, language, abstract, rights, coverage in space and time, contact, methods. Nobody's name is made up: where no creator was given the
 * place holder says so, and `bellrope check` asks for it. The date of publication is for whoever publishes.
 */
#include "export/dwca.h"

#include "core/event.h"
#include "core/geo.h"
#include "export/xmlout.h"

#define EML "https://eml.ecoinformatics.org/eml-2.2.0"

static int to_zip(void *ctx, const char *bytes, int len)
{
    dwczip_write(ctx, bytes, (size_t)len);
    return len;
}

static void put_party(xmlTextWriter *xml, const struct export_dataset *set, const char *element)
{
    xmlout_start(xml, element);
    if (set->creator[0] != '\0') {
        xmlout_start(xml, "individualName");
        xmlout_element(xml, "surName", set->creator);
        xmlout_end(xml);
    }
    if (set->organization[0] != '\0' || set->creator[0] == '\0')
        xmlout_element(xml, "organizationName",
                       set->organization[0] != '\0' ? set->organization : "not said");
    xmlout_element_if(xml, "electronicMailAddress", set->email);
    xmlout_end(xml);
}

static void put_para(xmlTextWriter *xml, const char *element, const char *text)
{
    xmlout_start(xml, element);
    xmlout_element(xml, "para", text);
    xmlout_end(xml);
}

static void put_space(xmlTextWriter *xml, const struct dwca *dwca)
{
    const char *site = dwca->job->row->dive.site;
    const struct dwca_box *box = &dwca->box;
    if (!box->any)
        return;
    xmlout_start(xml, "geographicCoverage");
    xmlout_element(xml, "geographicDescription", site[0] != '\0' ? site : "place of the dive");
    xmlout_start(xml, "boundingCoordinates");
    xmlout_format(xml, "westBoundingCoordinate", "%.6f", geo_wrap_180(box->west));
    xmlout_format(xml, "eastBoundingCoordinate", "%.6f", geo_wrap_180(box->east));
    xmlout_format(xml, "northBoundingCoordinate", "%.6f", box->north);
    xmlout_format(xml, "southBoundingCoordinate", "%.6f", box->south);
    xmlout_end(xml);
    xmlout_end(xml);
}

static void put_date(xmlTextWriter *xml, const char *element, utc_ns utc)
{
    char text[32];
    event_utc_text(utc, text);
    xmlout_start(xml, element);
    xmlout_format(xml, "calendarDate", "%.10s", text);
    xmlout_format(xml, "time", "%.13s", text + 11);
    xmlout_end(xml);
}

static void put_coverage(xmlTextWriter *xml, const struct dwca *dwca)
{
    xmlout_start(xml, "coverage");
    put_space(xml, dwca);
    xmlout_start(xml, "temporalCoverage");
    xmlout_start(xml, "rangeOfDates");
    put_date(xml, "beginDate", dwca->from);
    put_date(xml, "endDate", dwca->to);
    xmlout_end(xml);
    xmlout_end(xml);
    xmlout_end(xml);
}

static void put_methods(xmlTextWriter *xml, const struct dwca *dwca)
{
    const char *protocol = dwca->dataset.sampling_protocol;
    xmlout_start(xml, "methods");
    xmlout_start(xml, "methodStep");
    put_para(
        xml, "description",
        protocol[0] != '\0'
            ? protocol
            : "Animals were called out from live video of an underwater vehicle and put on record by key "
              "presses, each with its instant in UTC and in the video's timecode, position and water "
              "properties.");
    xmlout_end(xml);
    xmlout_end(xml);
}

static void put_dataset(xmlTextWriter *xml, const struct dwca *dwca)
{
    const struct export_dataset *set = &dwca->dataset;
    char text[512];
    xmlout_start(xml, "dataset");
    xmlout_element_if(xml, "alternateIdentifier", set->dataset_id);
    snprintf(text, sizeof text, "Observations of dive %s", dwca->job->dive);
    xmlout_element(xml, "title", set->title[0] != '\0' ? set->title : text);
    put_party(xml, set, "creator");
    xmlout_element(xml, "language", "en");
    snprintf(text, sizeof text, "What was seen and sampled on dive %s of the vehicle %s.", dwca->job->dive,
             dwca->job->row->dive.vehicle);
    put_para(xml, "abstract", set->abstract[0] != '\0' ? set->abstract : text);
    if (set->license[0] != '\0')
        put_para(xml, "intellectualRights", set->license);
    put_coverage(xml, dwca);
    put_party(xml, set, "contact");
    put_methods(xml, dwca);
    xmlout_end(xml);
}

int dwca_eml(struct dwca *dwca)
{
    char id[DWCA_ID];
    dwczip_entry(dwca->zip, "eml.xml");
    xmlTextWriter *xml = xmlout_open_sink(to_zip, dwca->zip);
    if (xml == NULL)
        return export_fail(dwca->job, "out of memory");
    dwca_id(dwca, id, 'D', 0, "");
    xmlout_start(xml, "eml:eml");
    xmlout_attribute(xml, "xmlns:eml", EML);
    xmlout_attribute(xml, "packageId", dwca->dataset.dataset_id[0] != '\0' ? dwca->dataset.dataset_id : id);
    xmlout_attribute(xml, "system", "bellrope");
    put_dataset(xml, dwca);
    xmlout_close(xml);
    return 0;
}
