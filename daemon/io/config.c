#include "io/config.h"

#include "io/config_value.h"

#include <arpa/inet.h>
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>

/*
 * One table of keys (rules[]) says what each section may hold, what each key accepts and how it is read. A setter
 * returns NULL, or what is wrong with the value: "'VALUE' WRONG; accepted: ACCEPTED" is the message.
 */

enum place {
    PLACE_DIVE,
    PLACE_STORE,
    PLACE_UTC,
    PLACE_TIMECODE,
    PLACE_SOCKET,
    PLACE_PAD,
    PLACE_FEED,
    PLACES
};

static const char *const place_names[PLACES] = {"dive", "store", "utc", "timecode", "socket", "pad", "feed"};

enum { RULES_MAX = 48, ITEMS_MAX = ENGINE_FEEDS_MAX > ENGINE_PADS_MAX ? ENGINE_FEEDS_MAX : ENGINE_PADS_MAX };

enum { COLUMNS_WAITING_MAX = ENGINE_FEEDS_MAX * COLUMNS_MAX };

struct waiting_column {
    int line;
    size_t feed;
    char section[64];
    char key[50];
    char value[112];
};

struct parse {
    struct config *out;
    const struct ini_text_report *report;
    int problems;
    /* where the reader is */
    int line;
    char section[64];
    enum place place; /* PLACES: in a section that was refused */
    size_t item;      /* which pad or feed; 0 elsewhere */
    /* columns wait until their layout's separator is known, wherever in the section it stands */
    struct waiting_column column[COLUMNS_WAITING_MAX];
    size_t column_count;
    /* where things stood: the line of each key of each section, and of each section */
    int seen[RULES_MAX][ITEMS_MAX];
    int section_line[PLACES][ITEMS_MAX];
    char utc_feed[SOURCE_SIZE];
};

struct rule {
    const char *key;
    const char *(*set)(struct parse *p, const char *value);
    const char *accepted;
    enum place place;
    bool needed;
};

static void tell(struct parse *p, int line, const char *section, const char *key, const char *format, ...)
    __attribute__((format(printf, 5, 6)));

static void tell(struct parse *p, int line, const char *section, const char *key, const char *format, ...)
{
    char text[768];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    p->problems++;
    struct ini_problem problem = {p->out->file, line, section, key, text};
    p->report->fn(p->report->ctx, &problem);
}

static struct config_pad *pad_of(struct parse *p)
{
    return &p->out->pad[p->item];
}

static struct config_feed *feed_of(struct parse *p)
{
    return &p->out->feed[p->item];
}

static struct engine_feed_config *engine_feed_of(struct parse *p)
{
    return &p->out->engine.feed[p->item];
}

static const char *set_text(const char *value, char *out, size_t size)
{
    size_t len = strlen(value);
    if (len == 0)
        return "is empty";
    if (len >= size)
        return "is too long";
    memcpy(out, value, len + 1);
    return NULL;
}

static const char *set_path(struct parse *p, const char *value, char *out)
{
    if (value[0] == '\0')
        return "is empty";
    return config_value_path(value, p->out->folder, out, CONFIG_PATH_SIZE) ? NULL : "is too long";
}

/* [dive] */

static const char *set_dive_id(struct parse *p, const char *value)
{
    return config_value_name(value, p->out->dive_id, sizeof p->out->dive_id) ? NULL : "is no dive id";
}

static const char *set_vehicle(struct parse *p, const char *value)
{
    return set_text(value, p->out->engine.vehicle, sizeof p->out->engine.vehicle);
}

static const char *set_ship(struct parse *p, const char *value)
{
    return set_text(value, p->out->engine.ship, sizeof p->out->engine.ship);
}

static const char *set_site(struct parse *p, const char *value)
{
    return set_text(value, p->out->engine.site, sizeof p->out->engine.site);
}

static const char *set_settle(struct parse *p, const char *value)
{
    return config_value_ns(value, 0.1, 600, NS_PER_S, &p->out->engine.settle_ns) ? NULL : "is no such time";
}

static const char *set_idle_close(struct parse *p, const char *value)
{
    return config_value_ns(value, 1, 1440, 60 * NS_PER_S, &p->out->engine.idle_close_ns) ? NULL
                                                                                         : "is no such time";
}

static const char *set_planned_bottom(struct parse *p, const char *value)
{
    int64_t *out = &p->out->engine.planned_bottom_ns;
    return config_value_ns(value, 1, 10080, 60 * NS_PER_S, out) ? NULL : "is no such time";
}

/* [store] */

static const char *set_store_file(struct parse *p, const char *value)
{
    return set_path(p, value, p->out->store_file);
}

static const char *set_tape(struct parse *p, const char *value)
{
    return set_path(p, value, p->out->tape_file);
}

/* [utc] */

static const char *set_utc_source(struct parse *p, const char *value)
{
    if (strcmp(value, "system") == 0)
        return NULL;
    bool feed =
        strncmp(value, "feed:", 5) == 0 && config_value_name(value + 5, p->utc_feed, sizeof p->utc_feed);
    return feed ? NULL : "is no source of UTC";
}

static const char *set_utc_delay_min(struct parse *p, const char *value)
{
    int64_t *out = &p->out->engine.utc_delay_min_ns;
    return config_value_ns(value, 0, 10000, NS_PER_MS, out) ? NULL : "is no such time";
}

static const char *set_utc_delay_max(struct parse *p, const char *value)
{
    int64_t *out = &p->out->engine.utc_delay_max_ns;
    return config_value_ns(value, 0, 10000, NS_PER_MS, out) ? NULL : "is no such time";
}

/* [timecode] */

static const char *set_timecode_source(struct parse *p, const char *value)
{
    p->out->engine.timecode_from_ltc = strcmp(value, "ltc") == 0;
    bool known = p->out->engine.timecode_from_ltc || strcmp(value, "time-of-day") == 0;
    return known ? NULL : "is no source of timecode";
}

static const char *set_rate(struct parse *p, const char *value)
{
    int result = timecode_rate_parse(value, &p->out->engine.rate);
    if (result == TIMECODE_EAMBIGUOUS)
        return "does not say whether it drops frames";
    return result == 0 ? NULL : "is no rate";
}

static const char *set_audio_input(struct parse *p, const char *value)
{
    struct config *out = p->out;
    if (strncmp(value, "exec:", 5) == 0) {
        out->audio = CONFIG_AUDIO_EXEC;
        return set_text(value + 5, out->audio_source, sizeof out->audio_source);
    }
    if (strncmp(value, "fifo:", 5) != 0)
        return "is no input";
    out->audio = CONFIG_AUDIO_FIFO;
    return set_path(p, value + 5, out->audio_source);
}

static const char *set_sample_rate(struct parse *p, const char *value)
{
    int64_t rate_hz = 0;
    if (!config_value_whole(value, 8000, 192000, &rate_hz))
        return "is no such rate";
    p->out->engine.audio_sample_rate_hz = (int32_t)rate_hz;
    return NULL;
}

static const char *set_latency_min(struct parse *p, const char *value)
{
    int64_t *out = &p->out->engine.audio_latency_min_ns;
    return config_value_ns(value, 0, 10000, NS_PER_MS, out) ? NULL : "is no such time";
}

static const char *set_latency_max(struct parse *p, const char *value)
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

static const char *set_port(struct parse *p, const char *value)
{
    struct config_pad *pad = pad_of(p);
    if (strncmp(value, "usb:", 4) == 0)
        return set_usb_port(pad, value + 4);
    bool evdev = strncmp(value, "evdev:", 6) == 0;
    pad->port = evdev ? CONFIG_PORT_EVDEV : CONFIG_PORT_PATH;
    p->out->engine.pad[p->item].is_evdev = evdev;
    return set_path(p, evdev ? value + 6 : value, pad->path);
}

static const char *set_baud(struct parse *p, const char *value)
{
    int64_t baud = 0;
    if (strcmp(value, "0") != 0 && !config_value_whole(value, 1200, 4000000, &baud))
        return "is no speed of a pad";
    pad_of(p)->baud = (uint32_t)baud;
    return NULL;
}

static const char *set_plan(struct parse *p, const char *value)
{
    return set_path(p, value, pad_of(p)->plan);
}

static const char *set_seat(struct parse *p, const char *value)
{
    char *seat = p->out->engine.pad[p->item].seat;
    return config_value_name(value, seat, SEAT_SIZE) ? NULL : "is no seat's name";
}

/* [feed NAME] */

static const char *set_serial_input(struct parse *p, const char *value)
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

static const char *set_net_input(struct parse *p, enum config_input input, const char *value)
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

static const char *set_feed_input(struct parse *p, const char *value)
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

static const char *set_interface(struct parse *p, const char *value)
{
    struct in6_addr address;
    bool v6 = inet_pton(AF_INET6, value, &address) == 1;
    if (!v6 && inet_pton(AF_INET, value, &address) != 1)
        return "is no numeric address";
    return set_text(value, feed_of(p)->interface, sizeof feed_of(p)->interface);
}

static const char *set_format(struct parse *p, const char *value)
{
    engine_feed_of(p)->format = strcmp(value, "columns") == 0 ? FEED_COLUMNS : FEED_NMEA;
    return strcmp(value, "columns") == 0 || strcmp(value, "nmea") == 0 ? NULL : "is no format";
}

static const char *set_as(struct parse *p, const char *value)
{
    engine_feed_of(p)->subject = strcmp(value, "vehicle") == 0 ? FEED_AS_VEHICLE : FEED_AS_SHIP;
    return strcmp(value, "vehicle") == 0 || strcmp(value, "ship") == 0 ? NULL : "is neither";
}

static const char *set_latency(struct parse *p, const char *value)
{
    return config_value_ns(value, 0, 600000, NS_PER_MS, &engine_feed_of(p)->latency_ns) ? NULL
                                                                                        : "is no such time";
}

static const char *set_stale(struct parse *p, const char *value)
{
    return config_value_ns(value, 1, 3600000, NS_PER_MS, &engine_feed_of(p)->stale_ns) ? NULL
                                                                                       : "is no such time";
}

static const char *set_checksum(struct parse *p, const char *value)
{
    engine_feed_of(p)->checksum_optional = strcmp(value, "optional") == 0;
    return strcmp(value, "optional") == 0 || strcmp(value, "required") == 0 ? NULL : "is neither";
}

/* The column setters of the core say everything themselves. */
static const char *pass_on(struct parse *p, const char *key, bool good, const char *error)
{
    if (!good)
        tell(p, p->line, p->section, key, "%s", error);
    return NULL;
}

static const char *set_separator(struct parse *p, const char *value)
{
    char error[COLUMNS_ERROR_MAX];
    return pass_on(p, "separator", columns_set_separator(&engine_feed_of(p)->columns, value, error), error);
}

static const char *set_prefix(struct parse *p, const char *value)
{
    char error[COLUMNS_ERROR_MAX];
    return pass_on(p, "prefix", columns_set_prefix(&engine_feed_of(p)->columns, value, error), error);
}

/* [socket] */

static const char *set_unix(struct parse *p, const char *value)
{
    struct config_socket *out = &p->out->socket;
    if (value[0] == '\0')
        return "is empty";
    return config_value_path(value, p->out->folder, out->unix_path, sizeof out->unix_path)
               ? NULL
               : "is too long (the system takes 107 bytes, the folder counted)";
}

static const char *set_mode(struct parse *p, const char *value)
{
    size_t len = strlen(value);
    if (len < 3 || len > 4 || strspn(value, "01234567") != len)
        return "is no mode of a file";
    p->out->socket.unix_mode = (mode_t)strtoul(value, NULL, 8) & 0777;
    return NULL;
}

static const char *set_group(struct parse *p, const char *value)
{
    return set_text(value, p->out->socket.unix_group, sizeof p->out->socket.unix_group);
}

static const char *set_tcp(struct parse *p, const char *value)
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

static const char *set_token_file(struct parse *p, const char *value)
{
    return set_path(p, value, p->out->socket.token_file);
}

#define LABEL_ACCEPTED "1 to 47 bytes of text"
#define PATH_ACCEPTED "a path, relative to this file's folder or absolute"
#define MS_ACCEPTED "milliseconds from 0 to 10000, such as 2.5"

static const struct rule rules[] = {
    {"id", set_dive_id, "1 to 31 of A-Z a-z 0-9 _ . -, the first a letter or digit", PLACE_DIVE, false},
    {"vehicle", set_vehicle, LABEL_ACCEPTED, PLACE_DIVE, false},
    {"ship", set_ship, LABEL_ACCEPTED, PLACE_DIVE, false},
    {"site", set_site, LABEL_ACCEPTED, PLACE_DIVE, false},
    {"settle_s", set_settle, "seconds from 0.1 to 600", PLACE_DIVE, false},
    {"idle_close_min", set_idle_close, "minutes from 1 to 1440", PLACE_DIVE, false},
    {"planned_bottom_min", set_planned_bottom, "minutes from 1 to 10080", PLACE_DIVE, false},
    {"file", set_store_file, PATH_ACCEPTED, PLACE_STORE, false},
    {"tape", set_tape, PATH_ACCEPTED, PLACE_STORE, false},
    {"source", set_utc_source, "system, feed:NAME", PLACE_UTC, true},
    {"delay_min_ms", set_utc_delay_min, MS_ACCEPTED, PLACE_UTC, false},
    {"delay_max_ms", set_utc_delay_max, MS_ACCEPTED, PLACE_UTC, false},
    {"source", set_timecode_source, "time-of-day, ltc", PLACE_TIMECODE, true},
    {"rate", set_rate, "23.976, 24, 25, 29.97df, 29.97ndf, 30, 50, 59.94df, 59.94ndf, 60", PLACE_TIMECODE,
     false},
    {"input", set_audio_input, "exec:COMMAND, fifo:PATH", PLACE_TIMECODE, false},
    {"sample_rate", set_sample_rate, "samples a second from 8000 to 192000", PLACE_TIMECODE, false},
    {"latency_min_ms", set_latency_min, MS_ACCEPTED, PLACE_TIMECODE, false},
    {"latency_max_ms", set_latency_max, MS_ACCEPTED, PLACE_TIMECODE, false},
    {"unix", set_unix, PATH_ACCEPTED, PLACE_SOCKET, false},
    {"mode", set_mode, "three or four octal digits, such as 0660", PLACE_SOCKET, false},
    {"group", set_group, "the name of a group", PLACE_SOCKET, false},
    {"tcp", set_tcp, "ADDRESS:PORT, such as 127.0.0.1:4700 or [::1]:4700; port 0 takes a free one",
     PLACE_SOCKET, false},
    {"token_file", set_token_file, PATH_ACCEPTED, PLACE_SOCKET, false},
    {"port", set_port, "usb:VID:PID[:SERIAL] with hexadecimal ids, evdev:PATH, PATH", PLACE_PAD, true},
    {"baud", set_baud, "1200 to 4000000, or 0 for native USB, which paces nothing", PLACE_PAD, false},
    {"plan", set_plan, PATH_ACCEPTED, PLACE_PAD, true},
    {"seat", set_seat, "1 to 15 of A-Z a-z 0-9 _ . -, the first a letter or digit", PLACE_PAD, false},
    {"input", set_feed_input, "udp:ADDRESS:PORT, tcp:HOST:PORT, serial:PATH@BAUD, file:PATH", PLACE_FEED,
     true},
    {"interface", set_interface, "the numeric address of a network interface here", PLACE_FEED, false},
    {"format", set_format, "nmea, columns", PLACE_FEED, true},
    {"as", set_as, "ship, vehicle", PLACE_FEED, false},
    {"latency_ms", set_latency, "milliseconds from 0 to 600000", PLACE_FEED, false},
    {"stale_ms", set_stale, "milliseconds from 1 to 3600000", PLACE_FEED, false},
    {"checksum", set_checksum, "required, optional", PLACE_FEED, false},
    {"separator", set_separator, "", PLACE_FEED, false},
    {"prefix", set_prefix, "", PLACE_FEED, false},
};
#define RULES (sizeof rules / sizeof rules[0])
_Static_assert(RULES <= (size_t)RULES_MAX, "seen[] has room for every rule");

static const struct rule *rule_find(enum place place, const char *key)
{
    for (size_t i = 0; i < RULES; i++)
        if (rules[i].place == place && strcmp(rules[i].key, key) == 0)
            return &rules[i];
    return NULL;
}

/* Where a key of the section in hand (or of another) was given; 0: not at all. */
static int *seen_line(struct parse *p, enum place place, const char *key, size_t item)
{
    return &p->seen[rule_find(place, key) - rules][item];
}

static void refuse_key(struct parse *p, const char *key)
{
    char accepted[256] = "";
    for (size_t i = 0; i < RULES; i++) {
        size_t len = strlen(accepted);
        if (rules[i].place == p->place)
            snprintf(accepted + len, sizeof accepted - len, "%s%s", len == 0 ? "" : ", ", rules[i].key);
    }
    tell(p, p->line, p->section, key, "no such key; accepted in [%s%s]: %s%s", place_names[p->place],
         p->place == PLACE_PAD || p->place == PLACE_FEED ? " NAME" : "", accepted,
         p->place == PLACE_FEED ? ", column.N" : "");
}

static void on_column(struct parse *p, const char *key, const char *value)
{
    struct waiting_column *column = &p->column[p->column_count];
    if (p->column_count == COLUMNS_WAITING_MAX) {
        tell(p, p->line, p->section, key, "one column too many; accepted: at most %d a feed", COLUMNS_MAX);
        return;
    }
    p->column_count++;
    column->line = p->line;
    column->feed = p->item;
    snprintf(column->section, sizeof column->section, "%s", p->section);
    snprintf(column->key, sizeof column->key, "%s", key);
    if (set_text(value, column->value, sizeof column->value) != NULL)
        tell(p, p->line, p->section, key, "'%.40s' is no channel; accepted: CHANNEL, CHANNEL UNIT", value);
}

static void read_columns(struct parse *p)
{
    char error[COLUMNS_ERROR_MAX];
    for (size_t i = 0; i < p->column_count; i++) {
        const struct waiting_column *column = &p->column[i];
        struct columns *columns = &p->out->engine.feed[column->feed].columns;
        const char *which = column->key + strlen("column.");
        if (column->value[0] != '\0' &&
            !columns_set_column(columns, &p->out->engine.names, which, column->value, error))
            tell(p, column->line, column->section, column->key, "%s", error);
    }
}

static void on_value(struct parse *p, const char *key, const char *value)
{
    if (p->place == PLACE_FEED && strncmp(key, "column.", 7) == 0) {
        on_column(p, key, value);
        return;
    }
    const struct rule *rule = rule_find(p->place, key);
    if (rule == NULL) {
        refuse_key(p, key);
        return;
    }
    int *seen = seen_line(p, p->place, key, p->item);
    if (*seen != 0) {
        tell(p, p->line, p->section, key, "given twice; the first is on line %d", *seen);
        return;
    }
    *seen = p->line;
    const char *wrong = rule->set(p, value);
    if (wrong != NULL)
        tell(p, p->line, p->section, key, "'%s' %s; accepted: %s", value, wrong, rule->accepted);
}

/* The number of the pad or feed of that name; a new one gets defaults. False where there is no room for it. */
static bool item_find(struct parse *p, const char *name, size_t *item)
{
    struct config *out = p->out;
    bool pad = p->place == PLACE_PAD;
    size_t *count = pad ? &out->engine.pad_count : &out->engine.feed_count;
    size_t most = pad ? ENGINE_PADS_MAX : ENGINE_FEEDS_MAX;
    for (*item = 0; *item < *count; (*item)++) {
        const char *have = pad ? out->engine.pad[*item].name : out->engine.feed[*item].name;
        if (strcmp(have, name) == 0)
            return true;
    }
    if (*item == most)
        return false;
    (*count)++;
    snprintf(pad ? out->engine.pad[*item].name : out->engine.feed[*item].name, SOURCE_SIZE, "%s", name);
    if (pad)
        out->pad[*item].baud = 115200;
    else
        out->engine.feed[*item].stale_ns = 5 * NS_PER_S;
    return true;
}

static void enter_item(struct parse *p, const char *name)
{
    char checked[SOURCE_SIZE];
    if (!config_value_name(name, checked, sizeof checked)) {
        tell(p, p->line, p->section, "",
             "'%s' is no name; accepted: [%s NAME] with 1 to %d of A-Z a-z 0-9 _ . -", name,
             place_names[p->place], SOURCE_SIZE - 1);
        p->place = PLACES;
    } else if (!item_find(p, checked, &p->item)) {
        tell(p, p->line, p->section, "", "one %s too many; accepted: at most %d", place_names[p->place],
             p->place == PLACE_PAD ? ENGINE_PADS_MAX : ENGINE_FEEDS_MAX);
        p->place = PLACES;
    }
}

static void on_section(struct parse *p, const char *section)
{
    size_t word = strcspn(section, " \t");
    const char *name = section + word + strspn(section + word, " \t");
    snprintf(p->section, sizeof p->section, "%s", section);
    p->item = 0;
    for (p->place = PLACE_DIVE; p->place < PLACES; p->place++)
        if (strlen(place_names[p->place]) == word && memcmp(place_names[p->place], section, word) == 0)
            break;
    bool item = p->place == PLACE_PAD || p->place == PLACE_FEED;
    if (p->place == PLACES || (!item && *name != '\0')) {
        tell(p, p->line, p->section, "",
             "no such section; accepted: [dive], [store], [utc], [timecode], [socket], [pad NAME], [feed "
             "NAME]");
        p->place = PLACES;
    } else if (item) {
        enter_item(p, name);
    }
    if (p->place < PLACES && p->section_line[p->place][p->item] == 0)
        p->section_line[p->place][p->item] = p->line;
}

static void on_line(void *ctx, int line, const char *section, const char *key, const char *value)
{
    struct parse *p = ctx;
    p->line = line;
    if (key == NULL)
        on_section(p, section);
    else if (section[0] == '\0' && p->place == PLACES)
        tell(p, line, "", key, "stands before the first section; accepted: keys below a [SECTION]");
    else if (p->place < PLACES)
        on_value(p, key, value);
}

/* What can only be judged when all has been read. */

static void section_name(const struct parse *p, enum place place, size_t item, char *out, size_t size)
{
    if (place == PLACE_PAD)
        snprintf(out, size, "pad %s", p->out->engine.pad[item].name);
    else if (place == PLACE_FEED)
        snprintf(out, size, "feed %s", p->out->engine.feed[item].name);
    else
        snprintf(out, size, "%s", place_names[place]);
}

static void tell_missing(struct parse *p, enum place place, size_t item, const char *key)
{
    char section[64];
    section_name(p, place, item, section, sizeof section);
    tell(p, p->section_line[place][item], section, key, "missing; accepted: %s",
         rule_find(place, key)->accepted);
}

static void check_needed(struct parse *p)
{
    for (size_t i = 0; i < RULES; i++)
        for (size_t item = 0; item < ITEMS_MAX; item++)
            if (rules[i].needed && p->section_line[rules[i].place][item] != 0 && p->seen[i][item] == 0)
                tell_missing(p, rules[i].place, item, rules[i].key);
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

static void check_pads(struct parse *p)
{
    struct config *out = p->out;
    char section[64];
    for (size_t i = 0; i < out->engine.pad_count; i++) {
        struct engine_pad_config *pad = &out->engine.pad[i];
        section_name(p, PLACE_PAD, i, section, sizeof section);
        pad->baud = out->pad[i].baud;
        if (pad->seat[0] == '\0' && *seen_line(p, PLACE_PAD, "seat", i) == 0 &&
            !config_value_name(pad->name, pad->seat, SEAT_SIZE))
            tell_missing(p, PLACE_PAD, i, "seat");
        for (size_t j = 0; j < i && *seen_line(p, PLACE_PAD, "port", i) != 0; j++)
            if (*seen_line(p, PLACE_PAD, "port", j) != 0 && same_port(&out->pad[i], &out->pad[j]))
                tell(p, *seen_line(p, PLACE_PAD, "port", i), section, "port",
                     "the same as of [pad %s]; accepted: a port of its own (two alike: add the USB serial)",
                     out->engine.pad[j].name);
    }
}

/* Keys that say nothing in this feed are told, not passed over. */
static void check_out_of_place(struct parse *p, size_t item, const char *key, const char *where)
{
    char section[64];
    int line = *seen_line(p, PLACE_FEED, key, item);
    section_name(p, PLACE_FEED, item, section, sizeof section);
    if (line != 0)
        tell(p, line, section, key, "has no meaning here; accepted: only with %s", where);
}

static void check_feed(struct parse *p, size_t i)
{
    struct engine_feed_config *feed = &p->out->engine.feed[i];
    char section[64], error[COLUMNS_ERROR_MAX];
    section_name(p, PLACE_FEED, i, section, sizeof section);
    feed->datagrams = p->out->feed[i].input == CONFIG_INPUT_UDP;
    if (*seen_line(p, PLACE_FEED, "format", i) == 0)
        return;
    if (feed->format == FEED_NMEA) {
        if (*seen_line(p, PLACE_FEED, "as", i) == 0)
            tell_missing(p, PLACE_FEED, i, "as");
        check_out_of_place(p, i, "separator", "format = columns");
        check_out_of_place(p, i, "prefix", "format = columns");
        if (feed->columns.count > 0)
            tell(p, p->section_line[PLACE_FEED][i], section, "column.N",
                 "has no meaning here; accepted: only with format = columns");
    } else {
        check_out_of_place(p, i, "checksum", "format = nmea");
        if (p->problems == 0 && !columns_check(&feed->columns, error))
            tell(p, p->section_line[PLACE_FEED][i], section, "column.N", "%s", error);
    }
    if (p->out->feed[i].input != CONFIG_INPUT_UDP)
        check_out_of_place(p, i, "interface", "input = udp:GROUP:PORT");
}

static void check_least_most(struct parse *p, enum place place, const char *least_key, int64_t least_ns,
                             const char *most_key, int64_t most_ns)
{
    int line = *seen_line(p, place, least_key, 0);
    if (least_ns > most_ns)
        tell(p, line != 0 ? line : *seen_line(p, place, most_key, 0), place_names[place], least_key,
             "%.1f is more than %s, %.1f; accepted: at most that", (double)least_ns / (double)NS_PER_MS,
             most_key, (double)most_ns / (double)NS_PER_MS);
}

static void check_utc(struct parse *p)
{
    struct engine_config *engine = &p->out->engine;
    int line = *seen_line(p, PLACE_UTC, "source", 0);
    engine->utc_feed = -1;
    check_least_most(p, PLACE_UTC, "delay_min_ms", engine->utc_delay_min_ns, "delay_max_ms",
                     engine->utc_delay_max_ns);
    if (p->utc_feed[0] == '\0')
        return;
    for (size_t i = 0; i < engine->feed_count; i++)
        if (strcmp(engine->feed[i].name, p->utc_feed) == 0)
            engine->utc_feed = (int)i;
    if (engine->utc_feed < 0)
        tell(p, line, "utc", "source",
             "there is no [feed %s]; accepted: system, feed:NAME of a feed of this file", p->utc_feed);
    else if (engine->feed[engine->utc_feed].format != FEED_NMEA)
        tell(p, line, "utc", "source", "[feed %s] carries no time; accepted: a feed with format = nmea",
             p->utc_feed);
}

static void check_timecode(struct parse *p)
{
    struct engine_config *engine = &p->out->engine;
    int input_line = *seen_line(p, PLACE_TIMECODE, "input", 0);
    if (engine->timecode_from_ltc) {
        if (*seen_line(p, PLACE_TIMECODE, "rate", 0) == 0)
            tell_missing(p, PLACE_TIMECODE, 0, "rate");
        if (input_line == 0)
            tell_missing(p, PLACE_TIMECODE, 0, "input");
    } else if (input_line != 0) {
        tell(p, input_line, "timecode", "input", "has no meaning here; accepted: only with source = ltc");
    }
    check_least_most(p, PLACE_TIMECODE, "latency_min_ms", engine->audio_latency_min_ns, "latency_max_ms",
                     engine->audio_latency_max_ns);
}

static void check_socket(struct parse *p)
{
    const struct config_socket *out = &p->out->socket;
    int line = *seen_line(p, PLACE_SOCKET, "tcp", 0);
    if (out->tcp_host[0] != '\0' && !config_value_is_loopback(out->tcp_host) && out->token_file[0] == '\0')
        tell(p, line, "socket", "tcp",
             "'%s' can be reached from other machines and there is no token_file; accepted: 127.0.0.1:PORT, "
             "or a "
             "token_file",
             out->tcp_host);
}

static void set_defaults(struct config *out, const char *file)
{
    *out = (struct config){.socket.unix_mode = 0660};
    snprintf(out->file, sizeof out->file, "%s", file);
    const char *slash = strrchr(out->file, '/');
    if (slash != NULL)
        snprintf(out->folder, sizeof out->folder, "%.*s", slash == out->file ? 1 : (int)(slash - out->file),
                 out->file);
    (void)config_value_path("bellrope.db", out->folder, out->store_file, sizeof out->store_file);
    out->engine.utc_feed = -1;
    out->engine.rate = TC_RATE_25;
    out->engine.audio_sample_rate_hz = 48000;
    out->engine.audio_latency_max_ns = 100 * NS_PER_MS;
    out->engine.utc_delay_max_ns = NS_PER_S;
}

static void check_all(struct parse *p)
{
    check_needed(p);
    check_pads(p);
    for (size_t i = 0; i < p->out->engine.feed_count; i++)
        check_feed(p, i);
    check_utc(p);
    check_timecode(p);
    check_socket(p);
}

static void keep_lines(struct parse *p)
{
    struct config_lines *lines = &p->out->lines;
    lines->store_file = *seen_line(p, PLACE_STORE, "file", 0);
    lines->store_tape = *seen_line(p, PLACE_STORE, "tape", 0);
    lines->audio_input = *seen_line(p, PLACE_TIMECODE, "input", 0);
    lines->unix_path = *seen_line(p, PLACE_SOCKET, "unix", 0);
    lines->tcp = *seen_line(p, PLACE_SOCKET, "tcp", 0);
    lines->token_file = *seen_line(p, PLACE_SOCKET, "token_file", 0);
    for (size_t i = 0; i < ENGINE_PADS_MAX; i++) {
        lines->pad_port[i] = *seen_line(p, PLACE_PAD, "port", i);
        lines->pad_plan[i] = *seen_line(p, PLACE_PAD, "plan", i);
    }
    for (size_t i = 0; i < ENGINE_FEEDS_MAX; i++)
        lines->feed_input[i] = *seen_line(p, PLACE_FEED, "input", i);
}

int config_parse(struct config *out, const char *file, const char *text, size_t len,
                 const struct ini_text_report *report)
{
    struct parse *p = calloc(1, sizeof *p);
    set_defaults(out, file);
    if (p == NULL)
        return 1;
    p->out = out;
    p->report = report;
    p->place = PLACES;
    int unread = ini_text_parse(file, text, len, on_line, p, report);
    p->problems += unread;
    read_columns(p);
    check_all(p);
    keep_lines(p);
    int problems = p->problems;
    free(p);
    return problems;
}

static int refuse_file(const char *file, int line, const char *section, const char *key,
                       const struct ini_text_report *report, const char *text)
{
    struct ini_problem problem = {file, line, section, key, text};
    report->fn(report->ctx, &problem);
    return 1;
}

/* Whoever may write the file may run a command as the daemon. NULL: nobody else may. */
static const char *open_to_others(const char *path, bool folder)
{
    struct stat info;
    if (stat(path, &info) != 0)
        return strerror(errno);
    if (info.st_uid != 0 && info.st_uid != geteuid())
        return "belongs to another user";
    bool others = (info.st_mode & (S_IWGRP | S_IWOTH)) != 0;
    bool guarded = folder && (info.st_mode & S_ISVTX) != 0;
    return others && !guarded ? "may be written by others" : NULL;
}

int config_check_exec(const struct config *config, const struct ini_text_report *report)
{
    if (config->audio != CONFIG_AUDIO_EXEC)
        return 0;
    char text[CONFIG_PATH_SIZE + 256];
    const char *folder = config->folder[0] == '\0' ? "." : config->folder;
    const char *why = open_to_others(config->file, false);
    if (why != NULL)
        snprintf(
            text, sizeof text,
            "exec: is refused because this file %s; accepted: a file of root's or the daemon's user that "
            "nobody else may write (chmod go-w %s)",
            why, config->file);
    else if ((why = open_to_others(folder, true)) != NULL)
        snprintf(
            text, sizeof text,
            "exec: is refused because the folder of this file %s; accepted: a folder in which nobody else "
            "may put another file in its place (chmod go-w %s)",
            why, folder);
    return why == NULL
               ? 0
               : refuse_file(config->file, config->lines.audio_input, "timecode", "input", report, text);
}

int config_load(struct config *out, const char *path, char **text, size_t *len,
                const struct ini_text_report *report)
{
    char why[160];
    int result = strlen(path) < CONFIG_PATH_SIZE ? ini_text_load(path, text, len) : -ENAMETOOLONG;
    if (result != 0) {
        *text = NULL;
        snprintf(why, sizeof why, "cannot be read: %s; accepted: a configuration file of at most %d bytes",
                 strerror(-result), INI_TEXT_BYTES_MAX);
        return refuse_file(path, 0, "", "", report, why);
    }
    return config_parse(out, path, *text, *len, report);
}
