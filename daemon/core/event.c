#include "core/event.h"

#include "core/jsonout.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

/* Proleptic Gregorian date of a day count from 1970-01-01; years of 400 have 146,097 days, counted here from 1 March of year 0. */
static void civil_date(int64_t days, int64_t *year, int *month, int *day)
{
    int64_t shifted = days + 719468;
    int64_t era = (shifted >= 0 ? shifted : shifted - 146096) / 146097;
    int64_t day_of_era = shifted - era * 146097;
    int64_t year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36524 - day_of_era / 146096) / 365;
    int64_t day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    int64_t march_month = (5 * day_of_year + 2) / 153;
    *day = (int)(day_of_year - (153 * march_month + 2) / 5 + 1);
    *month = (int)(march_month < 10 ? march_month + 3 : march_month - 9);
    *year = year_of_era + era * 400 + (*month <= 2 ? 1 : 0);
}

static void two_digits(char *out, int64_t value)
{
    out[0] = (char)('0' + value / 10);
    out[1] = (char)('0' + value % 10);
}

void event_utc_text(utc_ns utc, char *out)
{
    const int64_t day_ms = INT64_C(86400000);
    int64_t ms = utc.ns / NS_PER_MS - (utc.ns % NS_PER_MS < 0 ? 1 : 0);
    int64_t days = ms / day_ms - (ms % day_ms < 0 ? 1 : 0);
    int64_t in_day = ms - days * day_ms;
    int64_t year;
    int month, day;
    civil_date(days, &year, &month, &day);
    char text[] = "0000-00-00T00:00:00.000Z";
    two_digits(text, year / 100);
    two_digits(text + 2, year % 100);
    two_digits(text + 5, month);
    two_digits(text + 8, day);
    two_digits(text + 11, in_day / 3600000);
    two_digits(text + 14, in_day / 60000 % 60);
    two_digits(text + 17, in_day / 1000 % 60);
    text[20] = (char)('0' + in_day / 100 % 10);
    two_digits(text + 21, in_day % 100);
    memcpy(out, text, sizeof text);
}

static void utc_member(struct jsonout *out, const char *name, utc_ns utc)
{
    char text[32];
    event_utc_text(utc, text);
    jsonout_text(out, name, text);
}

static void ref_member(struct jsonout *out, const char *name, const struct entry *entry, char letter,
                       uint32_t number)
{
    if (number == 0) {
        jsonout_null(out, name);
        return;
    }
    char ref[REF_SIZE];
    entry_ref(ref, entry->dive, letter, number);
    jsonout_text(out, name, ref);
}

static void bound_ms(struct jsonout *out, const char *name, int64_t bound_ns)
{
    if (bound_ns < 0)
        jsonout_null(out, name);
    else
        jsonout_real(out, name, (double)bound_ns / 1e6, 3);
}

static void when_members(struct jsonout *out, const struct when *when)
{
    if (when->trust == CLOCK_TRUST_NONE)
        jsonout_null(out, "utc");
    else
        utc_member(out, "utc", when->utc);
    bound_ms(out, "utc_bound_ms", when->utc_bound_ns);
    jsonout_text(out, "clock", clock_trust_name(when->trust));
}

static void timecode_members(struct jsonout *out, const struct timecode_stamp *timecode)
{
    if (timecode->trust == TIMECODE_TRUST_NONE) {
        jsonout_null(out, "timecode");
    } else {
        jsonout_text(out, "timecode", timecode->label);
        jsonout_text(out, "timecode_rate", timecode->rate);
        if (timecode->bound_frames < 0)
            jsonout_null(out, "timecode_bound_frames");
        else
            jsonout_real(out, "timecode_bound_frames", timecode->bound_frames, 3);
    }
    jsonout_text(out, "timecode_state", timecode_trust_name(timecode->trust));
}

static void position_member(struct jsonout *out, const struct marker_position *position)
{
    if (!position->known) {
        jsonout_null(out, "position");
        return;
    }
    jsonout_open(out, "position", '{');
    jsonout_real(out, "lat", position->lat_deg, 7);
    jsonout_real(out, "lon", position->lon_deg, 7);
    if (position->uncertainty_m < 0)
        jsonout_null(out, "uncertainty_m");
    else
        jsonout_real(out, "uncertainty_m", position->uncertainty_m, 1);
    jsonout_text(out, "source", position->source);
    if (position->feed[0] != '\0')
        jsonout_text(out, "feed", position->feed);
    jsonout_text(out, "method", reading_method_name(position->method));
    jsonout_real(out, "age_s", position->age_s, 2);
    jsonout_close(out, '}');
}

static void telemetry_members(struct jsonout *out, const struct marker_telemetry *telemetry)
{
    position_member(out, &telemetry->position);
    jsonout_open(out, "channels", '{');
    for (uint32_t i = 0; i < telemetry->reading_count; i++) {
        const struct marker_reading *reading = &telemetry->reading[i];
        jsonout_open(out, reading->channel, '{');
        jsonout_real(out, "v", reading->value, 7);
        jsonout_real(out, "age_s", reading->age_s, 2);
        jsonout_text(out, "method", reading_method_name(reading->method));
        if (reading->source[0] != '\0')
            jsonout_text(out, "feed", reading->source);
        jsonout_close(out, '}');
    }
    jsonout_close(out, '}');
}

static void marker_members(struct jsonout *out, const struct entry *entry)
{
    const struct marker *marker = &entry->of.marker;
    ref_member(out, "id", entry, 'M', marker->number);
    when_members(out, &marker->when);
    timecode_members(out, &marker->timecode);
    jsonout_text(out, "seat", marker->seat);
    if (marker->who[0] != '\0')
        jsonout_text(out, "who", marker->who);
    jsonout_text_or_null(out, "pad", marker->pad);
    jsonout_text_or_null(out, "key", marker->key);
    jsonout_text(out, "gesture", marker->gesture);
    jsonout_text(out, "origin", marker_origin_name(marker->origin));
    jsonout_text(out, "kind", marker->kind);
    jsonout_text(out, "label", marker->label);
    if (marker->term[0] != '\0')
        jsonout_text(out, "term", marker->term);
    if (marker->note[0] != '\0')
        jsonout_text(out, "note", marker->note);
    if (marker->by[0] != '\0')
        jsonout_text(out, "by", marker->by);
    if (marker->lead_ns != 0)
        jsonout_real(out, "lead_s", (double)marker->lead_ns / 1e9, 3);
    if (marker->container[0] != '\0')
        jsonout_text(out, "container", marker->container);
    if (marker->gear[0] != '\0')
        jsonout_text(out, "gear", marker->gear);
    ref_member(out, "sighting", entry, 'S', marker->sighting);
    if (marker->instead_of != 0)
        ref_member(out, "instead_of", entry, 'M', marker->instead_of);
    if (marker->advice[0] != '\0')
        jsonout_text(out, "advice", marker->advice);
    telemetry_members(out, &marker->telemetry);
    jsonout_bool(out, "settled", marker->settled);
}

static void settled_members(struct jsonout *out, const struct entry *entry)
{
    const struct settled *settled = &entry->of.settled;
    ref_member(out, "id", entry, 'M', settled->marker);
    jsonout_text(out, "cause", settled->cause);
    when_members(out, &settled->when);
    if (settled->has_timecode)
        timecode_members(out, &settled->timecode);
    if (settled->has_telemetry)
        telemetry_members(out, &settled->telemetry);
    jsonout_bool(out, "settled", true);
}

static void sighting_members(struct jsonout *out, const struct entry *entry)
{
    const struct sighting_entry *sighting = &entry->of.sighting;
    ref_member(out, "id", entry, 'S', sighting->number);
    jsonout_text(out, "state", sighting->state);
    jsonout_text(out, "seat", sighting->seat);
    jsonout_text(out, "label", sighting->label);
    if (sighting->term[0] != '\0')
        jsonout_text(out, "term", sighting->term);
    utc_member(out, "start", sighting->start);
    jsonout_real(out, "lead_s", (double)sighting->lead_ns / 1e9, 3);
    if (sighting->closed_by[0] != '\0') {
        utc_member(out, "end", sighting->end);
        jsonout_text(out, "closed_by", sighting->closed_by);
    }
    ref_member(out, "first", entry, 'M', sighting->first_marker);
    ref_member(out, "last", entry, 'M', sighting->last_marker);
    jsonout_int(out, "markers", sighting->marker_count);
    jsonout_int(out, "individuals", sighting->individuals);
    if (sighting->tied_to != 0) {
        jsonout_text(out, "tie", sighting->tie);
        if (sighting->tie_term[0] != '\0')
            jsonout_text(out, "tie_term", sighting->tie_term);
        ref_member(out, "tied_to", entry, 'S', sighting->tied_to);
    }
    if (sighting->again_of != 0)
        ref_member(out, "again_of", entry, 'S', sighting->again_of);
    if (sighting->recomputed)
        jsonout_bool(out, "recomputed", true);
}

static void span_members(struct jsonout *out, const struct entry *entry)
{
    const struct span_entry *span = &entry->of.span;
    ref_member(out, "id", entry, 'T', span->number);
    jsonout_text(out, "kind", span->kind);
    if (span->transect != 0)
        jsonout_int(out, "transect", span->transect);
    jsonout_text(out, "state", span->state);
    jsonout_text(out, "label", span->label);
    if (span->term[0] != '\0')
        jsonout_text(out, "term", span->term);
    jsonout_text(out, "seat", span->seat);
    utc_member(out, "start", span->start);
    ref_member(out, "first", entry, 'M', span->first_marker);
    if (span->closed_by[0] != '\0') {
        utc_member(out, "end", span->end);
        jsonout_text(out, "closed_by", span->closed_by);
        ref_member(out, "last", entry, 'M', span->last_marker);
    }
    if (span->recomputed)
        jsonout_bool(out, "recomputed", true);
}

static void sample_members(struct jsonout *out, const struct entry *entry)
{
    const struct sample_entry *sample = &entry->of.sample;
    ref_member(out, "id", entry, 'A', sample->number);
    jsonout_text(out, "state", sample->state);
    jsonout_text_or_null(out, "container", sample->container);
    if (sample->gear[0] != '\0')
        jsonout_text(out, "gear", sample->gear);
    jsonout_text(out, "seat", sample->seat);
    jsonout_text(out, "label", sample->label);
    if (sample->term[0] != '\0')
        jsonout_text(out, "term", sample->term);
    if (sample->note[0] != '\0')
        jsonout_text(out, "note", sample->note);
    utc_member(out, "taken", sample->taken);
    ref_member(out, "marker", entry, 'M', sample->marker);
    ref_member(out, "sighting", entry, 'S', sample->sighting);
    if (sample->why[0] != '\0')
        jsonout_text(out, "why", sample->why);
    if (sample->recomputed)
        jsonout_bool(out, "recomputed", true);
}

static void by_and_why(struct jsonout *out, const char *by, const char *why)
{
    if (by[0] != '\0')
        jsonout_text(out, "by", by);
    if (why[0] != '\0')
        jsonout_text(out, "why", why);
}

static void identification_members(struct jsonout *out, const struct identification_entry *identification)
{
    jsonout_text(out, "target", identification->target);
    jsonout_text(out, "name", identification->name);
    jsonout_text(out, "verbatim", identification->verbatim);
    jsonout_text_or_null(out, "rank", identification->rank);
    jsonout_text_or_null(out, "qualifier", identification->qualifier);
    jsonout_text_or_null(out, "name_id", identification->name_id);
    if (identification->listed < 0)
        jsonout_null(out, "listed");
    else
        jsonout_bool(out, "listed", identification->listed != 0);
    by_and_why(out, identification->by, identification->why);
}

void event_length_members(struct jsonout *out, const struct measurement_entry *length)
{
    jsonout_text(out, "quantity", length->quantity);
    jsonout_real(out, "value_m", length->value_m, 5);
    jsonout_real(out, "sigma_m", length->sigma_m, 5);
    jsonout_text(out, "method", length->method);
    jsonout_real(out, "object_pixels", length->object_pixels, 3);
    jsonout_real(out, "laser_pixels", length->laser_pixels, 3);
    jsonout_real(out, "pixel_sigma", length->pixel_sigma, 3);
    jsonout_real(out, "spacing_m", length->spacing_m, 5);
    jsonout_real(out, "spacing_sigma_m", length->spacing_sigma_m, 5);
    if (length->note[0] != '\0')
        jsonout_text(out, "note", length->note);
    if (length->by[0] != '\0')
        jsonout_text(out, "by", length->by);
}

static void measurement_members(struct jsonout *out, const struct measurement_entry *measurement)
{
    jsonout_text(out, "target", measurement->target);
    event_length_members(out, measurement);
}

static void notice_members(struct jsonout *out, const struct notice_entry *notice)
{
    jsonout_text(out, "about", notice->about);
    jsonout_text(out, "state", notice->state);
    jsonout_text(out, "text", notice->text);
    if (notice->has_value)
        jsonout_real(out, "value", notice->value, 9);
}

static void link_members(struct jsonout *out, const struct entry *entry)
{
    const struct link_entry *link = &entry->of.link;
    ref_member(out, "id", entry, 'M', link->marker);
    ref_member(out, "sighting", entry, 'S', link->sighting);
    ref_member(out, "struck_by", entry, 'M', link->struck_by);
    jsonout_text_or_null(out, "advice", link->advice);
    jsonout_text_or_null(out, "who", link->who);
}

static void short_members(struct jsonout *out, const struct entry *entry)
{
    switch (entry->type) {
    case ENTRY_IDENTIFICATION:
        identification_members(out, &entry->of.identification);
        break;
    case ENTRY_MEASUREMENT:
        measurement_members(out, &entry->of.measurement);
        break;
    case ENTRY_REMARK:
        jsonout_text(out, "target", entry->of.remark.target);
        jsonout_text(out, "text", entry->of.remark.text);
        by_and_why(out, entry->of.remark.by, "");
        break;
    case ENTRY_STRIKE:
        jsonout_text(out, "target", entry->of.strike.target);
        jsonout_bool(out, "restored", entry->of.strike.restored);
        by_and_why(out, entry->of.strike.by, entry->of.strike.why);
        break;
    case ENTRY_LINK:
        link_members(out, entry);
        break;
    case ENTRY_DIVE:
        jsonout_text(out, "state", entry->of.dive.state);
        jsonout_text_or_null(out, "vehicle", entry->of.dive.vehicle);
        jsonout_text_or_null(out, "ship", entry->of.dive.ship);
        jsonout_text_or_null(out, "site", entry->of.dive.site);
        if (entry->of.dive.planned_bottom_ns > 0)
            jsonout_real(out, "planned_bottom_min", (double)entry->of.dive.planned_bottom_ns / 60e9, 3);
        break;
    case ENTRY_SEAT:
        jsonout_text(out, "seat", entry->of.seat.seat);
        jsonout_text_or_null(out, "who", entry->of.seat.who);
        break;
    default:
        notice_members(out, &entry->of.notice);
        break;
    }
}

size_t event_json(const struct entry *entry, char *bytes, size_t size)
{
    struct jsonout out;
    jsonout_begin(&out, bytes, size);
    jsonout_open(&out, NULL, '{');
    jsonout_int(&out, "seq", entry->seq);
    jsonout_text(&out, "type", entry_type_name(entry->type));
    jsonout_text_or_null(&out, "dive", entry->dive);
    if (entry->type == ENTRY_MARKER) {
        marker_members(&out, entry);
    } else if (entry->type == ENTRY_SETTLED) {
        settled_members(&out, entry);
    } else {
        /* for markers `utc` is the press; for all others it is when the change was made */
        when_members(&out, &entry->at);
        if (entry->type == ENTRY_SIGHTING)
            sighting_members(&out, entry);
        else if (entry->type == ENTRY_SPAN)
            span_members(&out, entry);
        else if (entry->type == ENTRY_SAMPLE)
            sample_members(&out, entry);
        else
            short_members(&out, entry);
    }
    jsonout_close(&out, '}');
    return jsonout_end(&out);
}
