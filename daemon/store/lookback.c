#include "store/lookback.h"

#include "core/fields.h"
#include "store/instant.h"
#include "store/reader.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What of a command matters here. */
struct command {
    char op[24];
    char dive[DIVE_ID_SIZE]; /* as named; empty: not named */
    char label[16];          /* at_timecode; empty: not given */
    char letter;             /* of the ref; '\0': none */
    uint32_t number;
    bool refolds; /* changes what follows from the dive's markers */
};

static bool read_command(struct command *out, const char *record, size_t len)
{
    struct fields fields;
    char ref[REF_SIZE], dive[DIVE_ID_SIZE];
    *out = (struct command){.letter = '\0'};
    ref[0] = '\0';
    if (!fields_parse(&fields, record, len))
        return false;
    fields_text(&fields, "op", out->op, sizeof out->op);
    fields_text(&fields, "dive", out->dive, sizeof out->dive);
    fields_text(&fields, "at_timecode", out->label, sizeof out->label);
    if (fields_text(&fields, "ref", ref, sizeof ref) &&
        entry_ref_parse(ref, dive, &out->letter, &out->number) && dive[0] != '\0')
        memcpy(out->dive, dive, sizeof dive);
    bool last = strcmp(ref, "last") == 0; /* which marker that is only the dive in hand tells */
    out->refolds = last || strcmp(out->op, "press") == 0 || strcmp(out->op, "sample") == 0 ||
                   strcmp(out->op, "strike") == 0 || strcmp(out->op, "retime") == 0;
    return true;
}

static bool is_other(const struct lookback_hand *hand, const struct command *command)
{
    return command->dive[0] != '\0' && strcmp(command->dive, hand->dive) != 0;
}

bool lookback_needed(const struct lookback_hand *hand, const char *record, size_t len)
{
    struct command command;
    if (!read_command(&command, record, len))
        return false;
    bool about_a_record = command.refolds || command.letter != '\0';
    return command.label[0] != '\0' || (about_a_record && is_other(hand, &command));
}

/* Whether the record of that number is there. */
static bool is_there(struct store_reader *reader, const struct command *command)
{
    static const char *const sql[] = {"SELECT 1 FROM marker WHERE dive = ? AND number = ?",
                                      "SELECT 1 FROM sighting WHERE dive = ? AND number = ?",
                                      "SELECT 1 FROM span WHERE dive = ? AND number = ?",
                                      "SELECT 1 FROM sample WHERE dive = ? AND number = ?"};
    const char *at = strchr("MSTA", command->letter);
    struct reader_query query;
    if (at == NULL)
        return false;
    reader_begin(&query, reader, sql[at - "MSTA"]);
    sql_bind_text(&query.bind, command->dive);
    sql_bind_int(&query.bind, command->number);
    bool there = reader_row(&query);
    return reader_end(&query) >= 0 && there;
}

static struct fields_writer go_on(char *out, const char *record, size_t len)
{
    struct fields_writer writer = {.bytes = out, .size = FIELDS_BYTES_MAX, .len = len};
    memcpy(out, record, len);
    out[len] = '\0';
    return writer;
}

static void put_instant(struct store_reader *reader, const char *dive, const char *label,
                        struct fields_writer *writer)
{
    utc_ns at;
    int64_t bound_ns;
    if (!instant_of_timecode(reader, dive, label, &at, &bound_ns))
        return;
    fields_put_int(writer, "stored_utc", at.ns);
    fields_put_int(writer, "stored_bound", bound_ns);
}

size_t lookback_command(struct store_reader *reader, const struct lookback_hand *hand, const char *record,
                        size_t len, store_restore_sink *restore, void *ctx, char *out,
                        struct store_error *error)
{
    struct command command;
    if (len >= FIELDS_BYTES_MAX || !read_command(&command, record, len)) {
        error->result = STORE_NO_SUCH;
        snprintf(error->text, sizeof error->text, "the command cannot be read");
        return 0;
    }
    struct fields_writer writer = go_on(out, record, len);
    bool other = is_other(hand, &command);
    if (other && command.refolds && !hand->open) {
        enum store_result result = store_restore_dive(reader, command.dive, restore, ctx, error);
        if (result != STORE_OK && result != STORE_NO_SUCH) /* no such dive: the engine says so */
            return 0;
    }
    if (other && command.letter != '\0' && !is_there(reader, &command))
        fields_put_int(&writer, "absent", 1);
    if (command.label[0] != '\0')
        put_instant(reader, command.dive[0] != '\0' ? command.dive : hand->dive, command.label, &writer);
    return writer.len;
}

/* ---- what was true at an instant ---- */

static void put_position(struct fields_writer *writer, const struct marker_position *position)
{
    if (!position->known)
        return;
    fields_put_real(writer, "lat", position->lat_deg);
    fields_put_real(writer, "lon", position->lon_deg);
    fields_put_real(writer, "age", position->age_s);
    if (position->uncertainty_m >= 0)
        fields_put_real(writer, "within_m", position->uncertainty_m);
    fields_put(writer, "source", position->source);
    fields_put(writer, "feed", position->feed);
    fields_put(writer, "method", reading_method_name(position->method));
}

static void put_readings(struct fields_writer *writer, const struct marker_telemetry *telemetry)
{
    for (uint32_t i = 0; i < telemetry->reading_count; i++) {
        const struct marker_reading *reading = &telemetry->reading[i];
        char name[16], text[160];
        snprintf(name, sizeof name, "r%u", i);
        snprintf(text, sizeof text, "%s %.17g %.9g %s %s", reading->channel, reading->value, reading->age_s,
                 reading_method_name(reading->method), reading->source);
        fields_put(writer, name, text);
    }
}

static void put_timecode(struct fields_writer *writer, const struct timecode_stamp *stamp)
{
    fields_put(writer, "timecode", stamp->label);
    fields_put(writer, "rate", stamp->rate);
    fields_put_int(writer, "frame", stamp->frame);
    fields_put_real(writer, "within", stamp->within);
    fields_put_real(writer, "bound_frames", stamp->bound_frames);
    fields_put(writer, "timecode_state", timecode_trust_name(stamp->trust));
}

size_t lookback_stored(struct store_reader *reader, const struct engine_config *config,
                       const struct engine_lookup *lookup, char *out)
{
    struct fields_writer writer;
    struct timecode_stamp stamp;
    struct marker_telemetry *telemetry = calloc(1, sizeof *telemetry);
    fields_begin(&writer, out, FIELDS_BYTES_MAX, "stored");
    fields_put(&writer, "dive", lookup->dive);
    fields_put_int(&writer, "marker", lookup->marker);
    fields_put_int(&writer, "mono", lookup->when.mono.ns);
    fields_put_int(&writer, "mono_bound", lookup->when.mono_bound_ns);
    fields_put_int(&writer, "utc", lookup->when.utc.ns);
    fields_put_int(&writer, "bound", lookup->when.utc_bound_ns);
    fields_put(&writer, "clock", clock_trust_name(lookup->when.trust));
    if (lookup->want_timecode && instant_timecode(reader, lookup->dive, lookup->when.utc, &stamp))
        put_timecode(&writer, &stamp);
    if (telemetry != NULL && instant_telemetry(reader, config, lookup->when.utc, telemetry)) {
        put_position(&writer, &telemetry->position);
        put_readings(&writer, telemetry);
    }
    free(telemetry);
    return writer.len;
}
