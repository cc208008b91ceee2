/*
 * dwca: measurements and facts. Of each sighting and sample the readings at its first press, as facts of the event; of each sighting the count
 * and what details say that has no column of its own, as facts of the occurrence. Identifiers of types and units are those of the
 * NERC vocabularies P01 and P06 (from memory); where none is certain, the field is empty.
 */
#include "export/dwca.h"

#include "export/decimal.h"

#include <inttypes.h>
#include <string.h>

#define P01 "http://vocab.nerc.ac.uk/collection/P01/current/"
#define P06 "http://vocab.nerc.ac.uk/collection/P06/current/"

struct quantity {
    const char *channel, *type, *type_id, *unit, *unit_id;
    int decimals;
};

static const struct quantity QUANTITIES[] = {
    {"vehicle.depth_m", "depth", P01 "ADEPZZ01/", "m", P06 "ULAA/", 2},
    {"vehicle.altitude_m", "height above the sea floor", P01 "AHSFZZ01/", "m", P06 "ULAA/", 2},
    {"vehicle.heading_deg", "heading of the vehicle", "", "degrees", P06 "UAAA/", 1},
    {"vehicle.pitch_deg", "pitch of the vehicle", "", "degrees", P06 "UAAA/", 1},
    {"vehicle.roll_deg", "roll of the vehicle", "", "degrees", P06 "UAAA/", 1},
    {"water.pressure_dbar", "sea pressure", P01 "PRESPR01/", "dbar", P06 "UPDB/", 2},
    {"water.temperature_C", "temperature of the water", P01 "TEMPPR01/", "degrees Celsius", P06 "UPAA/", 4},
    {"water.conductivity_mS_cm", "conductivity of the water", "", "mS/cm", "", 4},
    {"water.salinity", "practical salinity", P01 "PSALST01/", "1", P06 "UUUU/", 4},
    {"water.sound_speed_m_s", "sound speed in the water", "", "m/s", P06 "UVAA/", 2},
    {"water.oxygen_umol_kg", "dissolved oxygen", P01 "DOXMZZXX/", "umol/kg", P06 "KGUM/", 2}};

/* Position and its uncertainty are in the event; the ship's own channels say nothing of the animal. */
static bool is_fact(const char *channel)
{
    return strncmp(channel, "ship.", 5) != 0 && strstr(channel, "lat_deg") == NULL &&
           strstr(channel, "lon_deg") == NULL && strstr(channel, "uncertainty") == NULL;
}

static struct quantity quantity_of(const char *channel)
{
    for (size_t i = 0; i < sizeof QUANTITIES / sizeof QUANTITIES[0]; i++)
        if (strcmp(QUANTITIES[i].channel, channel) == 0)
            return QUANTITIES[i];
    return (struct quantity){channel, channel, "", "", "", 6};
}

struct fact {
    const char *event, *occurrence; /* identifiers; occurrence "": of the event */
    const char *type, *type_id, *unit, *unit_id, *method;
    const char *text; /* NULL: `value` */
    double value;
    int decimals;
    double sigma;             /* one standard deviation; 0: not known */
    const char *by, *remarks; /* NULL: none */
    bool dated;
    utc_ns at;
};

static void put_fact(struct dwca *dwca, const struct fact *fact)
{
    struct dwcrow *row = &dwca->row[DWC_MEASUREMENT];
    char id[DWCA_ID];
    snprintf(id, sizeof id, "%s%s-F%" PRId64, dwca->dataset.id_prefix, dwca->job->dive, ++dwca->measurements);
    dwcrow_texts(row, 5, (const char *const[]){fact->event, id, fact->occurrence, fact->type, fact->type_id});
    if (fact->text != NULL)
        dwcrow_text(row, fact->text);
    else
        dwcrow_real(row, fact->value, fact->decimals);
    if (fact->sigma > 0)
        dwcrow_real(row, fact->sigma, fact->decimals);
    else
        dwcrow_empty(row);
    dwcrow_text(row, fact->unit);
    dwcrow_text(row, fact->unit_id);
    if (fact->dated)
        dwcrow_utc(row, fact->at);
    else
        dwcrow_empty(row);
    dwcrow_text(row, fact->by != NULL ? fact->by : "");
    dwcrow_text(row, fact->method);
    dwcrow_text(row, fact->remarks != NULL ? fact->remarks : "");
    dwcrow_end(row);
}

/* "interpolated, nearest sample 0.03 s away, from ctd" */
static void describe_method(const struct marker_reading *reading, char *out, size_t size)
{
    char age[DECIMAL_SIZE];
    decimal_put(age, reading->age_s, 2);
    const char *parts[] = {reading_method_name(reading->method), ", nearest sample ", age, " s away, from ",
                           reading->source};
    size_t used = 0;
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        size_t len = strnlen(parts[i], size - 1 - used);
        memcpy(out + used, parts[i], len);
        used += len;
    }
    out[used] = '\0';
}

/* The readings of dwca->marker. */
static void put_readings(struct dwca *dwca, const char *event)
{
    const struct marker *marker = &dwca->marker.marker;
    for (uint32_t i = 0; i < marker->telemetry.reading_count; i++) {
        const struct marker_reading *reading = &marker->telemetry.reading[i];
        char method[160];
        if (!is_fact(reading->channel))
            continue;
        struct quantity quantity = quantity_of(reading->channel);
        describe_method(reading, method, sizeof method);
        struct fact fact = {.event = event,
                            .occurrence = "",
                            .type = quantity.type,
                            .type_id = quantity.type_id,
                            .unit = quantity.unit,
                            .unit_id = quantity.unit_id,
                            .method = method,
                            .value = reading->value,
                            .decimals = quantity.decimals,
                            .dated = marker->when.trust != CLOCK_TRUST_NONE,
                            .at = marker->when.utc};
        put_fact(dwca, &fact);
    }
}

void dwca_detail_fact(struct dwca *dwca, uint32_t sighting)
{
    static const char *const columns[] = {"sex", "lifeStage", "reproductiveCondition", "vitality",
                                          "behavior"};
    const struct marker *marker = &dwca->marker.marker;
    if (strcmp(marker->kind, "detail") != 0 || strncmp(marker->term, "dwc:", 4) != 0)
        return;
    char name[TERM_SIZE], value[TERM_SIZE], event[DWCA_ID], occurrence[DWCA_ID];
    snprintf(name, sizeof name, "%.*s", (int)strcspn(marker->term + 4, "="), marker->term + 4);
    for (size_t i = 0; i < sizeof columns / sizeof columns[0]; i++)
        if (strcmp(name, columns[i]) == 0)
            return;
    if (!dwca_term(marker->term, name, marker->label, value, sizeof value))
        return;
    dwca_id(dwca, event, 'S', sighting, "");
    dwca_id(dwca, occurrence, 'S', sighting, "-O");
    struct fact fact = {.event = event,
                        .occurrence = occurrence,
                        .type = name,
                        .type_id = "",
                        .unit = "",
                        .unit_id = "",
                        .method = "seen in the video",
                        .text = value,
                        .dated = marker->when.trust != CLOCK_TRUST_NONE,
                        .at = marker->when.utc};
    put_fact(dwca, &fact);
}

void dwca_sighting_facts(struct dwca *dwca, const struct sighting_entry *sighting)
{
    char event[DWCA_ID], occurrence[DWCA_ID];
    dwca_id(dwca, event, 'S', sighting->number, "");
    dwca_id(dwca, occurrence, 'S', sighting->number, "-O");
    if (dwca_find_marker(dwca, sighting->first_marker))
        put_readings(dwca, event);
    struct fact individuals = {.event = event,
                               .occurrence = occurrence,
                               .type = "count of individuals",
                               .type_id = P01 "OCOUNT01/",
                               .unit = "1",
                               .unit_id = P06 "UUUU/",
                               .method = "key presses",
                               .value = sighting->individuals,
                               .dated = true,
                               .at = sighting->start};
    put_fact(dwca, &individuals);
}

void dwca_sample_facts(struct dwca *dwca, const struct sample_entry *sample)
{
    char event[DWCA_ID];
    dwca_id(dwca, event, 'A', sample->number, "");
    if (dwca_find_marker(dwca, sample->marker))
        put_readings(dwca, event);
}

/* A length from paired lasers and the like: every one that was made. Its accuracy is the random error alone. */
static bool measurement_row(void *ctx, const struct query_measurement *row)
{
    struct dwca *dwca = ctx;
    const struct measurement_entry *measurement = &row->measurement;
    char dive[DIVE_ID_SIZE], letter, event[DWCA_ID], occurrence[DWCA_ID] = "";
    uint32_t number;
    if (!entry_ref_parse(measurement->target, dive, &letter, &number) ||
        (letter == 'S' ? !dwca_find_sighting(dwca, number)
                       : letter != 'A' || !dwca_find_sample(dwca, number)))
        return !dwca->failed;
    dwca_id(dwca, event, letter, number, "");
    if (letter == 'S' || dwca_sample_occurs(dwca, &dwca->sample))
        dwca_id(dwca, occurrence, letter, number, "-O");
    struct fact fact = {.event = event,
                        .occurrence = occurrence,
                        .type = measurement->quantity,
                        .type_id = "",
                        .unit = "m",
                        .unit_id = P06 "ULAA/",
                        .method = measurement->method,
                        .value = measurement->value_m,
                        .sigma = measurement->sigma_m,
                        .decimals = 5,
                        .by = measurement->by,
                        .remarks = measurement->note,
                        .dated = row->made.at.trust != CLOCK_TRUST_NONE,
                        .at = row->made.at.utc};
    put_fact(dwca, &fact);
    return !dwca->failed;
}

int dwca_measurements(struct dwca *dwca)
{
    struct query_want want = {.dive = dwca->job->dive};
    if (query_measurements(dwca->job->reader, &want, measurement_row, dwca) < 0 || dwca->failed)
        return export_reader_failed(dwca->job);
    return 0;
}
