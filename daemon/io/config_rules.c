#include "io/config_parse.h"

#include "io/config_value.h"

#include <arpa/inet.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const config_place_names[CONFIG_PLACES] = {"dive",   "store", "utc", "timecode",
                                                       "socket", "pad",   "feed"};

static struct config_pad *pad_of(struct config_parse *p)
{
    return &p->out->pad[p->item];
}

static struct config_feed *feed_of(struct config_parse *p)
{
    return &p->out->feed[p->item];
}

static struct engine_feed_config *engine_feed_of(struct config_parse *p)
{
    return &p->out->engine.feed[p->item];
}

const char *config_text(const char *value, char *out, size_t size)
{
    size_t len = strlen(value);
    if (len == 0)
        return "is empty";
    if (len >= size)
        return "is too long";
    memcpy(out, value, len + 1);
    return NULL;
}

static const char *set_path(struct config_parse *p, const char *value, char *out)
{
    if (value[0] == '\0')
        return "is empty";
    return config_value_path(value, p->out->folder, out, CONFIG_PATH_SIZE) ? NULL : "is too long";
}

/* [dive] */

static const char *set_dive_id(struct config_parse *p, const char *value)
{
    return config_value_name(value, p->out->dive_id, sizeof p->out->dive_id) ? NULL : "is no dive id";
}

static const char *set_vehicle(struct config_parse *p, const char *value)
{
    return config_text(value, p->out->engine.vehicle, sizeof p->out->engine.vehicle);
}

static const char *set_ship(struct config_parse *p, const char *value)
{
    return config_text(value, p->out->engine.ship, sizeof p->out->engine.ship);
}

static const char *set_site(struct config_parse *p, const char *value)
{
    return config_text(value, p->out->engine.site, sizeof p->out->engine.site);
}

static const char *set_settle(struct config_parse *p, const char *value)
{
    return config_value_ns(value, 0.1, 600, NS_PER_S, &p->out->engine.settle_ns) ? NULL : "is no such time";
}

static const char *set_idle_close(struct config_parse *p, const char *value)
{
    return config_value_ns(value, 1, 1440, 60 * NS_PER_S, &p->out->engine.idle_close_ns) ? NULL
                                                                                         : "is no such time";
}

static const char *set_planned_bottom(struct config_parse *p, const char *value)
{
    int64_t *out = &p->out->engine.planned_bottom_ns;
    return config_value_ns(value, 1, 10080, 60 * NS_PER_S, out) ? NULL : "is no such time";
}

static const char *set_checklist(struct config_parse *p, const char *value)
{
    return set_path(p, value, p->out->checklist_file);
}

/* [store] */

static const char *set_store_file(struct config_parse *p, const char *value)
{
    return set_path(p, value, p->out->store_file);
}

static const char *set_tape(struct config_parse *p, const char *value)
{
    return set_path(p, value, p->out->tape_file);
}

/* [utc] */

static const char *set_utc_source(struct config_parse *p, const char *value)
{
    if (strcmp(value, "system") == 0)
        return NULL;
    bool feed =
        strncmp(value, "feed:", 5) == 0 && config_value_name(value + 5, p->utc_feed, sizeof p->utc_feed);
    return feed ? NULL : "is no source of UTC";
}

static const char *set_utc_delay_min(struct config_parse *p, const char *value)
{
    int64_t *out = &p->out->engine.utc_delay_min_ns;
    return config_value_ns(value, 0, 10000, NS_PER_MS, out) ? NULL : "is no such time";
}

static const char *set_utc_delay_max(struct config_parse *p, const char *value)
{
    int64_t *out = &p->out->engine.utc_delay_max_ns;
    return config_value_ns(value, 0, 10000, NS_PER_MS, out) ? NULL : "is no such time";
}

/* [timecode] */

static const char *set_timecode_source(struct config_parse *p, const char *value)
{
    p->out->engine.timecode_from_ltc = strcmp(value, "ltc") == 0;
    bool known = p->out->engine.timecode_from_ltc || strcmp(value, "time-of-day") == 0;
    return known ? NULL : "is no source of timecode";
}

static const char *set_rate(struct config_parse *p, const char *value)
{
    int result = timecode_rate_parse(value, &p->out->engine.rate);
    if (result == TIMECODE_EAMBIGUOUS)
        return "does not say whether it drops frames";
    return result == 0 ? NULL : "is no rate";
}

static const char *set_audio_input(struct config_parse *p, const char *value)
{
    struct config *out = p->out;
    if (strncmp(value, "exec:", 5) == 0) {
        out->audio = CONFIG_AUDIO_EXEC;
        return config_text(value + 5, out->audio_source, sizeof out->audio_source);
    }
    if (strncmp(value, "fifo:", 5) != 0)
        return "is no input";
    out->audio = CONFIG_AUDIO_FIFO;
    return set_path(p, value + 5, out->audio_source);
}

static const char *set_sample_rate(struct config_parse *p, const char *value)
{
    int64_t rate_hz = 0;
    if (!config_value_whole(value, 8000, 192000, &rate_hz))
        return "is no such rate";
    p->out->engine.audio_sample_rate_hz = (int32_t)rate_hz;
    return NULL;
}

static const char *set_latency_min(struct config_parse *p, const char *value)
{
    int64_t *out = &p->out->engine.audio_latency_min_ns;
    return config_value_ns(value, 0, 10000, NS_PER_MS, out) ? NULL : "is no such time";
}

static const char *set_latency_max(struct config_parse *p, const char *value)
{
    int64_t *out = &p->out->engine.audio_latency_max_ns;
    return config_value_ns(value, 0, 10000, NS_PER_MS, out) ? NULL : "is no such time";
}

/* [pad NAME] */

static const char *set_usb_port(struct config_pad *pad, const char *ids)
{
    const char *rest = ids;
    uint16_t vendor = 0, product = 0;
    if (!config_value_hex16(ids, ':', &vendor, &rest) || !config_value_hex16(rest, ':', &product, &rest))
        return "does not name USB ids";
    if (strlen(rest) >= sizeof pad->usb_serial)
        return "has a serial that is too long";
    pad->port = CONFIG_PORT_USB;
    pad->usb_vendor = vendor;
    pad->usb_product = product;
    memcpy(pad->usb_serial, rest, strlen(rest) + 1);
    return NULL;
}

static const char *set_port(struct config_parse *p, const char *value)
{
    struct config_pad *pad = pad_of(p);
    if (strncmp(value, "usb:", 4) == 0)
        return set_usb_port(pad, value + 4);
    bool evdev = strncmp(value, "evdev:", 6) == 0;
    pad->port = evdev ? CONFIG_PORT_EVDEV : CONFIG_PORT_PATH;
    p->out->engine.pad[p->item].is_evdev = evdev;
    return set_path(p, evdev ? value + 6 : value, pad->path);
}

static const char *set_baud(struct config_parse *p, const char *value)
{
    int64_t baud = 0;
    if (strcmp(value, "0") != 0 && !config_value_whole(value, 1200, 4000000, &baud))
        return "is no speed of a pad";
    pad_of(p)->baud = (uint32_t)baud;
    return NULL;
}

static const char *set_plan(struct config_parse *p, const char *value)
{
    return set_path(p, value, pad_of(p)->plan);
}

static const char *set_seat(struct config_parse *p, const char *value)
{
    char *seat = p->out->engine.pad[p->item].seat;
    return config_value_name(value, seat, SEAT_SIZE) ? NULL : "is no seat's name";
}

/* [feed NAME] */

static const char *set_serial_input(struct config_parse *p, const char *value)
{
    const char *at = strrchr(value, '@');
    char path[CONFIG_PATH_SIZE];
    int64_t baud = 0;
    if (at == NULL || at == value || !config_value_whole(at + 1, 300, 4000000, &baud))
        return "does not say PATH@BAUD";
    if ((size_t)(at - value) >= sizeof path)
        return "is too long";
    snprintf(path, sizeof path, "%.*s", (int)(at - value), value);
    feed_of(p)->input = CONFIG_INPUT_SERIAL;
    feed_of(p)->baud = (uint32_t)baud;
    return set_path(p, path, feed_of(p)->path);
}

static const char *set_net_input(struct config_parse *p, enum config_input input, const char *value)
{
    struct config_feed *feed = feed_of(p);
    struct in6_addr address;
    feed->input = input;
    if (!config_value_host_port(value, 1, feed->host, sizeof feed->host, &feed->port))
        return "does not say HOST:PORT";
    if (input == CONFIG_INPUT_UDP && inet_pton(AF_INET, feed->host, &address) != 1 &&
        inet_pton(AF_INET6, feed->host, &address) != 1)
        return "names no numeric address to listen on";
    return NULL;
}

static const char *set_feed_input(struct config_parse *p, const char *value)
{
    if (strncmp(value, "udp:", 4) == 0)
        return set_net_input(p, CONFIG_INPUT_UDP, value + 4);
    if (strncmp(value, "tcp:", 4) == 0)
        return set_net_input(p, CONFIG_INPUT_TCP, value + 4);
    if (strncmp(value, "serial:", 7) == 0)
        return set_serial_input(p, value + 7);
    if (strncmp(value, "file:", 5) != 0)
        return "is no input";
    feed_of(p)->input = CONFIG_INPUT_FILE;
    return set_path(p, value + 5, feed_of(p)->path);
}

static const char *set_interface(struct config_parse *p, const char *value)
{
    struct in6_addr address;
    bool v6 = inet_pton(AF_INET6, value, &address) == 1;
    if (!v6 && inet_pton(AF_INET, value, &address) != 1)
        return "is no numeric address";
    return config_text(value, feed_of(p)->interface, sizeof feed_of(p)->interface);
}

static const char *set_format(struct config_parse *p, const char *value)
{
    engine_feed_of(p)->format = strcmp(value, "columns") == 0 ? FEED_COLUMNS : FEED_NMEA;
    return strcmp(value, "columns") == 0 || strcmp(value, "nmea") == 0 ? NULL : "is no format";
}

static const char *set_as(struct config_parse *p, const char *value)
{
    engine_feed_of(p)->subject = strcmp(value, "vehicle") == 0 ? FEED_AS_VEHICLE : FEED_AS_SHIP;
    return strcmp(value, "vehicle") == 0 || strcmp(value, "ship") == 0 ? NULL : "is neither";
}

static const char *set_latency(struct config_parse *p, const char *value)
{
    return config_value_ns(value, 0, 600000, NS_PER_MS, &engine_feed_of(p)->latency_ns) ? NULL
                                                                                        : "is no such time";
}

static const char *set_stale(struct config_parse *p, const char *value)
{
    return config_value_ns(value, 1, 3600000, NS_PER_MS, &engine_feed_of(p)->stale_ns) ? NULL
                                                                                       : "is no such time";
}

static const char *set_checksum(struct config_parse *p, const char *value)
{
    engine_feed_of(p)->checksum_optional = strcmp(value, "optional") == 0;
    return strcmp(value, "optional") == 0 || strcmp(value, "required") == 0 ? NULL : "is neither";
}

/* The column setters of the core say everything themselves. */
static const char *pass_on(struct config_parse *p, const char *key, bool good, const char *error)
{
    if (!good)
        config_tell(p, p->line, p->section, key, "%s", error);
    return NULL;
}

static const char *set_separator(struct config_parse *p, const char *value)
{
    char error[COLUMNS_ERROR_MAX];
    return pass_on(p, "separator", columns_set_separator(&engine_feed_of(p)->columns, value, error), error);
}

static const char *set_prefix(struct config_parse *p, const char *value)
{
    char error[COLUMNS_ERROR_MAX];
    return pass_on(p, "prefix", columns_set_prefix(&engine_feed_of(p)->columns, value, error), error);
}

/* [socket] */

static const char *set_unix(struct config_parse *p, const char *value)
{
    struct config_socket *out = &p->out->socket;
    if (value[0] == '\0')
        return "is empty";
    return config_value_path(value, p->out->folder, out->unix_path, sizeof out->unix_path)
               ? NULL
               : "is too long (the system takes 107 bytes, the folder counted)";
}

static const char *set_mode(struct config_parse *p, const char *value)
{
    size_t len = strlen(value);
    if (len < 3 || len > 4 || strspn(value, "01234567") != len)
        return "is no mode of a file";
    p->out->socket.unix_mode = (mode_t)strtoul(value, NULL, 8) & 0777;
    return NULL;
}

static const char *set_group(struct config_parse *p, const char *value)
{
    return config_text(value, p->out->socket.unix_group, sizeof p->out->socket.unix_group);
}

static const char *set_tcp(struct config_parse *p, const char *value)
{
    struct config_socket *out = &p->out->socket;
    struct in6_addr address;
    if (!config_value_host_port(value, 0, out->tcp_host, sizeof out->tcp_host, &out->tcp_port))
        return "does not say HOST:PORT";
    bool numeric = strcmp(out->tcp_host, "localhost") == 0 ||
                   inet_pton(AF_INET, out->tcp_host, &address) == 1 ||
                   inet_pton(AF_INET6, out->tcp_host, &address) == 1;
    if (numeric)
        return NULL;
    out->tcp_host[0] = '\0';
    return "names no numeric address to listen on";
}

static const char *set_token_file(struct config_parse *p, const char *value)
{
    return set_path(p, value, p->out->socket.token_file);
}

static const char *set_connections(struct config_parse *p, const char *value)
{
    int64_t connections = 0;
    if (!config_value_whole(value, 1, 10000, &connections))
        return "is no whole number from 1 to 10000";
    p->out->socket.connections = (uint32_t)connections;
    return NULL;
}

#define LABEL_ACCEPTED "1 to 47 bytes of text"
#define PATH_ACCEPTED "a path, relative to this file's folder or absolute"
#define MS_ACCEPTED "milliseconds from 0 to 10000, such as 2.5"

static const struct config_rule rules[] = {
    {"id", set_dive_id, "1 to 31 of A-Z a-z 0-9 _ . -, the first a letter or digit", CONFIG_DIVE, false},
    {"vehicle", set_vehicle, LABEL_ACCEPTED, CONFIG_DIVE, false},
    {"ship", set_ship, LABEL_ACCEPTED, CONFIG_DIVE, false},
    {"site", set_site, LABEL_ACCEPTED, CONFIG_DIVE, false},
    {"settle_s", set_settle, "seconds from 0.1 to 600", CONFIG_DIVE, false},
    {"idle_close_min", set_idle_close, "minutes from 1 to 1440", CONFIG_DIVE, false},
    {"planned_bottom_min", set_planned_bottom, "minutes from 1 to 10080", CONFIG_DIVE, false},
    {"checklist", set_checklist, PATH_ACCEPTED, CONFIG_DIVE, false},
    {"file", set_store_file, PATH_ACCEPTED, CONFIG_STORE, false},
    {"tape", set_tape, PATH_ACCEPTED, CONFIG_STORE, false},
    {"source", set_utc_source, "system, feed:NAME", CONFIG_UTC, true},
    {"delay_min_ms", set_utc_delay_min, MS_ACCEPTED, CONFIG_UTC, false},
    {"delay_max_ms", set_utc_delay_max, MS_ACCEPTED, CONFIG_UTC, false},
    {"source", set_timecode_source, "time-of-day, ltc", CONFIG_TIMECODE, true},
    {"rate", set_rate, "23.976, 24, 25, 29.97df, 29.97ndf, 30, 50, 59.94df, 59.94ndf, 60", CONFIG_TIMECODE,
     false},
    {"input", set_audio_input, "exec:COMMAND, fifo:PATH", CONFIG_TIMECODE, false},
    {"sample_rate", set_sample_rate, "samples a second from 8000 to 192000", CONFIG_TIMECODE, false},
    {"latency_min_ms", set_latency_min, MS_ACCEPTED, CONFIG_TIMECODE, false},
    {"latency_max_ms", set_latency_max, MS_ACCEPTED, CONFIG_TIMECODE, false},
    {"unix", set_unix, PATH_ACCEPTED, CONFIG_SOCKET, false},
    {"mode", set_mode, "three or four octal digits, such as 0660", CONFIG_SOCKET, false},
    {"group", set_group, "the name of a group", CONFIG_SOCKET, false},
    {"tcp", set_tcp, "ADDRESS:PORT, such as 127.0.0.1:4700 or [::1]:4700; port 0 takes a free one",
     CONFIG_SOCKET, false},
    {"token_file", set_token_file, PATH_ACCEPTED, CONFIG_SOCKET, false},
    {"connections", set_connections, "1 to 10000", CONFIG_SOCKET, false},
    {"port", set_port, "usb:VID:PID[:SERIAL] with hexadecimal ids, evdev:PATH, PATH", CONFIG_PAD, true},
    {"baud", set_baud, "1200 to 4000000, or 0 for native USB, which paces nothing", CONFIG_PAD, false},
    {"plan", set_plan, PATH_ACCEPTED, CONFIG_PAD, true},
    {"seat", set_seat, "1 to 15 of A-Z a-z 0-9 _ . -, the first a letter or digit", CONFIG_PAD, false},
    {"input", set_feed_input, "udp:ADDRESS:PORT, tcp:HOST:PORT, serial:PATH@BAUD, file:PATH", CONFIG_FEED,
     true},
    {"interface", set_interface, "the numeric address of a network interface here", CONFIG_FEED, false},
    {"format", set_format, "nmea, columns", CONFIG_FEED, true},
    {"as", set_as, "ship, vehicle", CONFIG_FEED, false},
    {"latency_ms", set_latency, "milliseconds from 0 to 600000", CONFIG_FEED, false},
    {"stale_ms", set_stale, "milliseconds from 1 to 3600000", CONFIG_FEED, false},
    {"checksum", set_checksum, "required, optional", CONFIG_FEED, false},
    {"separator", set_separator, "", CONFIG_FEED, false},
    {"prefix", set_prefix, "", CONFIG_FEED, false},
};
#define RULES (sizeof rules / sizeof rules[0])
_Static_assert(RULES <= (size_t)CONFIG_RULES_MAX, "seen[] has room for every rule");

const struct config_rule *config_rule(size_t i)
{
    return i < RULES ? &rules[i] : NULL;
}

const struct config_rule *config_rule_find(enum config_place place, const char *key)
{
    for (size_t i = 0; i < RULES; i++)
        if (rules[i].place == place && strcmp(rules[i].key, key) == 0)
            return &rules[i];
    return NULL;
}

int *config_seen(struct config_parse *p, enum config_place place, const char *key, size_t item)
{
    return &p->seen[config_rule_find(place, key) - rules][item];
}
