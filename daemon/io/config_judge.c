#include "io/config_parse.h"

#include "io/config_value.h"

#include <stdio.h>
#include <string.h>

static void section_name(const struct config_parse *p, enum config_place place, size_t item, char *out,
                         size_t size)
{
    if (place == CONFIG_PAD)
        snprintf(out, size, "pad %s", p->out->engine.pad[item].name);
    else if (place == CONFIG_FEED)
        snprintf(out, size, "feed %s", p->out->engine.feed[item].name);
    else
        snprintf(out, size, "%s", config_place_names[place]);
}

static void tell_missing(struct config_parse *p, enum config_place place, size_t item, const char *key)
{
    char section[64];
    section_name(p, place, item, section, sizeof section);
    config_tell(p, p->section_line[place][item], section, key, "missing; accepted: %s",
                config_rule_find(place, key)->accepted);
}

static void check_needed(struct config_parse *p)
{
    const struct config_rule *rule;
    for (size_t i = 0; (rule = config_rule(i)) != NULL; i++)
        for (size_t item = 0; item < CONFIG_ITEMS_MAX; item++)
            if (rule->needed && p->section_line[rule->place][item] != 0 && p->seen[i][item] == 0)
                tell_missing(p, rule->place, item, rule->key);
}

static bool same_port(const struct config_pad *a, const struct config_pad *b)
{
    if (a->port != b->port)
        return false;
    if (a->port != CONFIG_PORT_USB)
        return strcmp(a->path, b->path) == 0;
    return a->usb_vendor == b->usb_vendor && a->usb_product == b->usb_product &&
           strcmp(a->usb_serial, b->usb_serial) == 0;
}

static void check_pads(struct config_parse *p)
{
    struct config *out = p->out;
    char section[64];
    for (size_t i = 0; i < out->engine.pad_count; i++) {
        struct engine_pad_config *pad = &out->engine.pad[i];
        section_name(p, CONFIG_PAD, i, section, sizeof section);
        pad->baud = out->pad[i].baud;
        if (pad->seat[0] == '\0' && *config_seen(p, CONFIG_PAD, "seat", i) == 0 &&
            !config_value_name(pad->name, pad->seat, SEAT_SIZE))
            tell_missing(p, CONFIG_PAD, i, "seat");
        for (size_t j = 0; j < i && *config_seen(p, CONFIG_PAD, "port", i) != 0; j++)
            if (*config_seen(p, CONFIG_PAD, "port", j) != 0 && same_port(&out->pad[i], &out->pad[j]))
                config_tell(
                    p, *config_seen(p, CONFIG_PAD, "port", i), section, "port",
                    "the same as of [pad %s]; accepted: a port of its own (two alike: add the USB serial)",
                    out->engine.pad[j].name);
    }
}

/* Keys that say nothing in this feed are told, not passed over. */
static void check_out_of_place(struct config_parse *p, size_t item, const char *key, const char *where)
{
    char section[64];
    int line = *config_seen(p, CONFIG_FEED, key, item);
    section_name(p, CONFIG_FEED, item, section, sizeof section);
    if (line != 0)
        config_tell(p, line, section, key, "has no meaning here; accepted: only with %s", where);
}

static void check_feed(struct config_parse *p, size_t i)
{
    struct engine_feed_config *feed = &p->out->engine.feed[i];
    char section[64], error[COLUMNS_ERROR_MAX];
    section_name(p, CONFIG_FEED, i, section, sizeof section);
    feed->datagrams = p->out->feed[i].input == CONFIG_INPUT_UDP;
    if (*config_seen(p, CONFIG_FEED, "format", i) == 0)
        return;
    if (feed->format == FEED_NMEA) {
        if (*config_seen(p, CONFIG_FEED, "as", i) == 0)
            tell_missing(p, CONFIG_FEED, i, "as");
        check_out_of_place(p, i, "separator", "format = columns");
        check_out_of_place(p, i, "prefix", "format = columns");
        if (feed->columns.count > 0)
            config_tell(p, p->section_line[CONFIG_FEED][i], section, "column.N",
                        "has no meaning here; accepted: only with format = columns");
    } else {
        check_out_of_place(p, i, "checksum", "format = nmea");
        if (p->problems == 0 && !columns_check(&feed->columns, error))
            config_tell(p, p->section_line[CONFIG_FEED][i], section, "column.N", "%s", error);
    }
    if (p->out->feed[i].input != CONFIG_INPUT_UDP)
        check_out_of_place(p, i, "interface", "input = udp:GROUP:PORT");
}

static void check_least_most(struct config_parse *p, enum config_place place, const char *least_key,
                             int64_t least_ns, const char *most_key, int64_t most_ns)
{
    int line = *config_seen(p, place, least_key, 0);
    if (least_ns > most_ns)
        config_tell(p, line != 0 ? line : *config_seen(p, place, most_key, 0), config_place_names[place],
                    least_key, "%.1f is more than %s, %.1f; accepted: at most that",
                    (double)least_ns / (double)NS_PER_MS, most_key, (double)most_ns / (double)NS_PER_MS);
}

static void check_utc(struct config_parse *p)
{
    struct engine_config *engine = &p->out->engine;
    int line = *config_seen(p, CONFIG_UTC, "source", 0);
    engine->utc_feed = -1;
    check_least_most(p, CONFIG_UTC, "delay_min_ms", engine->utc_delay_min_ns, "delay_max_ms",
                     engine->utc_delay_max_ns);
    if (p->utc_feed[0] == '\0')
        return;
    for (size_t i = 0; i < engine->feed_count; i++)
        if (strcmp(engine->feed[i].name, p->utc_feed) == 0)
            engine->utc_feed = (int)i;
    if (engine->utc_feed < 0)
        config_tell(p, line, "utc", "source",
                    "there is no [feed %s]; accepted: system, feed:NAME of a feed of this file", p->utc_feed);
    else if (engine->feed[engine->utc_feed].format != FEED_NMEA)
        config_tell(p, line, "utc", "source",
                    "[feed %s] carries no time; accepted: a feed with format = nmea", p->utc_feed);
}

static void check_timecode(struct config_parse *p)
{
    struct engine_config *engine = &p->out->engine;
    int input_line = *config_seen(p, CONFIG_TIMECODE, "input", 0);
    if (engine->timecode_from_ltc) {
        if (*config_seen(p, CONFIG_TIMECODE, "rate", 0) == 0)
            tell_missing(p, CONFIG_TIMECODE, 0, "rate");
        if (input_line == 0)
            tell_missing(p, CONFIG_TIMECODE, 0, "input");
    } else if (input_line != 0) {
        config_tell(p, input_line, "timecode", "input",
                    "has no meaning here; accepted: only with source = ltc");
    }
    check_least_most(p, CONFIG_TIMECODE, "latency_min_ms", engine->audio_latency_min_ns, "latency_max_ms",
                     engine->audio_latency_max_ns);
}

static void check_socket(struct config_parse *p)
{
    const struct config_socket *out = &p->out->socket;
    int line = *config_seen(p, CONFIG_SOCKET, "tcp", 0);
    if (out->tcp_host[0] != '\0' && !config_value_is_loopback(out->tcp_host) && out->token_file[0] == '\0')
        config_tell(
            p, line, "socket", "tcp",
            "'%s' can be reached from other machines and there is no token_file; accepted: 127.0.0.1:PORT, "
            "or a "
            "token_file",
            out->tcp_host);
}

void config_judge(struct config_parse *p)
{
    check_needed(p);
    check_pads(p);
    for (size_t i = 0; i < p->out->engine.feed_count; i++)
        check_feed(p, i);
    check_utc(p);
    check_timecode(p);
    check_socket(p);
}
