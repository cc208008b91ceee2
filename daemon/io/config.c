#include "io/config_parse.h"

#include "io/config_value.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

void config_tell(struct config_parse *p, int line, const char *section, const char *key, const char *format,
                 ...)
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

static void refuse_key(struct config_parse *p, const char *key)
{
    char accepted[256] = "";
    const struct config_rule *rule;
    for (size_t i = 0; (rule = config_rule(i)) != NULL; i++) {
        size_t len = strlen(accepted);
        if (rule->place == p->place)
            snprintf(accepted + len, sizeof accepted - len, "%s%s", len == 0 ? "" : ", ", rule->key);
    }
    config_tell(p, p->line, p->section, key, "no such key; accepted in [%s%s]: %s%s",
                config_place_names[p->place],
                p->place == CONFIG_PAD || p->place == CONFIG_FEED ? " NAME" : "", accepted,
                p->place == CONFIG_FEED ? ", column.N" : "");
}

static void on_column(struct config_parse *p, const char *key, const char *value)
{
    struct config_column *column = &p->column[p->column_count];
    if (p->column_count == CONFIG_COLUMNS_MAX) {
        config_tell(p, p->line, p->section, key, "one column too many; accepted: at most %d a feed",
                    COLUMNS_MAX);
        return;
    }
    p->column_count++;
    column->line = p->line;
    column->feed = p->item;
    snprintf(column->section, sizeof column->section, "%s", p->section);
    snprintf(column->key, sizeof column->key, "%s", key);
    if (config_text(value, column->value, sizeof column->value) != NULL)
        config_tell(p, p->line, p->section, key, "'%.40s' is no channel; accepted: CHANNEL, CHANNEL UNIT",
                    value);
}

static void read_columns(struct config_parse *p)
{
    char error[COLUMNS_ERROR_MAX];
    for (size_t i = 0; i < p->column_count; i++) {
        const struct config_column *column = &p->column[i];
        struct columns *columns = &p->out->engine.feed[column->feed].columns;
        const char *which = column->key + strlen("column.");
        if (column->value[0] != '\0' &&
            !columns_set_column(columns, &p->out->engine.names, which, column->value, error))
            config_tell(p, column->line, column->section, column->key, "%s", error);
    }
}

static void on_value(struct config_parse *p, const char *key, const char *value)
{
    if (p->place == CONFIG_FEED && strncmp(key, "column.", 7) == 0) {
        on_column(p, key, value);
        return;
    }
    const struct config_rule *rule = config_rule_find(p->place, key);
    if (rule == NULL) {
        refuse_key(p, key);
        return;
    }
    int *seen = config_seen(p, p->place, key, p->item);
    if (*seen != 0) {
        config_tell(p, p->line, p->section, key, "given twice; the first is on line %d", *seen);
        return;
    }
    *seen = p->line;
    const char *wrong = rule->set(p, value);
    if (wrong != NULL)
        config_tell(p, p->line, p->section, key, "'%s' %s; accepted: %s", value, wrong, rule->accepted);
}

/* The number of the pad or feed of that name; a new one gets defaults. False where there is no room for it. */
static bool item_find(struct config_parse *p, const char *name, size_t *item)
{
    struct config *out = p->out;
    bool pad = p->place == CONFIG_PAD;
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

static void enter_item(struct config_parse *p, const char *name)
{
    char checked[SOURCE_SIZE];
    if (!config_value_name(name, checked, sizeof checked)) {
        config_tell(p, p->line, p->section, "",
                    "'%s' is no name; accepted: [%s NAME] with 1 to %d of A-Z a-z 0-9 _ . -", name,
                    config_place_names[p->place], SOURCE_SIZE - 1);
        p->place = CONFIG_PLACES;
    } else if (!item_find(p, checked, &p->item)) {
        config_tell(p, p->line, p->section, "", "one %s too many; accepted: at most %d",
                    config_place_names[p->place],
                    p->place == CONFIG_PAD ? ENGINE_PADS_MAX : ENGINE_FEEDS_MAX);
        p->place = CONFIG_PLACES;
    }
}

static void on_section(struct config_parse *p, const char *section)
{
    size_t word = strcspn(section, " \t");
    const char *name = section + word + strspn(section + word, " \t");
    snprintf(p->section, sizeof p->section, "%s", section);
    p->item = 0;
    for (p->place = CONFIG_DIVE; p->place < CONFIG_PLACES; p->place++)
        if (strlen(config_place_names[p->place]) == word &&
            memcmp(config_place_names[p->place], section, word) == 0)
            break;
    bool item = p->place == CONFIG_PAD || p->place == CONFIG_FEED;
    if (p->place == CONFIG_PLACES || (!item && *name != '\0')) {
        config_tell(
            p, p->line, p->section, "",
            "no such section; accepted: [dive], [store], [utc], [timecode], [socket], [pad NAME], [feed "
            "NAME]");
        p->place = CONFIG_PLACES;
    } else if (item) {
        enter_item(p, name);
    }
    if (p->place < CONFIG_PLACES && p->section_line[p->place][p->item] == 0)
        p->section_line[p->place][p->item] = p->line;
}

static void on_line(void *ctx, int line, const char *section, const char *key, const char *value)
{
    struct config_parse *p = ctx;
    p->line = line;
    if (key == NULL)
        on_section(p, section);
    else if (section[0] == '\0' && p->place == CONFIG_PLACES)
        config_tell(p, line, "", key, "stands before the first section; accepted: keys below a [SECTION]");
    else if (p->place < CONFIG_PLACES)
        on_value(p, key, value);
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

static void keep_lines(struct config_parse *p)
{
    struct config_lines *lines = &p->out->lines;
    lines->store_file = *config_seen(p, CONFIG_STORE, "file", 0);
    lines->store_tape = *config_seen(p, CONFIG_STORE, "tape", 0);
    lines->checklist = *config_seen(p, CONFIG_DIVE, "checklist", 0);
    lines->audio_input = *config_seen(p, CONFIG_TIMECODE, "input", 0);
    lines->unix_path = *config_seen(p, CONFIG_SOCKET, "unix", 0);
    lines->tcp = *config_seen(p, CONFIG_SOCKET, "tcp", 0);
    lines->token_file = *config_seen(p, CONFIG_SOCKET, "token_file", 0);
    for (size_t i = 0; i < ENGINE_PADS_MAX; i++) {
        lines->pad_port[i] = *config_seen(p, CONFIG_PAD, "port", i);
        lines->pad_plan[i] = *config_seen(p, CONFIG_PAD, "plan", i);
    }
    for (size_t i = 0; i < ENGINE_FEEDS_MAX; i++)
        lines->feed_input[i] = *config_seen(p, CONFIG_FEED, "input", i);
}

int config_parse(struct config *out, const char *file, const char *text, size_t len,
                 const struct ini_text_report *report)
{
    struct config_parse *p = calloc(1, sizeof *p);
    set_defaults(out, file);
    if (p == NULL)
        return 1;
    p->out = out;
    p->report = report;
    p->place = CONFIG_PLACES;
    int unread = ini_text_parse(file, text, len, on_line, p, report);
    p->problems += unread;
    read_columns(p);
    config_judge(p);
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
