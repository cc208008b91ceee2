#include "app/check.h"

#include "io/checklist_file.h"
#include "io/evdev.h"
#include "io/keyplan_file.h"
#include "io/line.h"
#include "io/serial.h"
#include "io/tape.h"
#include "store/query.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

struct check {
    const struct config *config;
    const struct ini_text_report *report;
    int problems, notes;
};

static void wrong(struct check *check, int line, const char *section, const char *key, const char *format,
                  ...) __attribute__((format(printf, 5, 6)));

static void wrong(struct check *check, int line, const char *section, const char *key, const char *format,
                  ...)
{
    char text[CONFIG_PATH_SIZE + 768];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    struct ini_problem problem = {check->config->file, line, section, key, text};
    check->problems++;
    check->report->fn(check->report->ctx, &problem);
}

static void note(struct check *check, int line, const char *section, const char *key, const char *path,
                 const char *why)
{
    char text[CONFIG_PATH_SIZE + 256], full[CONFIG_PATH_SIZE + 512];
    snprintf(text, sizeof text, "%s: %s; the daemon will wait for it", path, why);
    struct ini_problem problem = {check->config->file, line, section, key, text};
    check->notes++;
    ini_problem_text(&problem, full, sizeof full);
    printf("note: %s\n", full);
}

/* A file that is to be made needs a folder that one may write to. */
static void check_folder(struct check *check, int line, const char *section, const char *key,
                         const char *path)
{
    char folder[CONFIG_PATH_SIZE];
    const char *slash = strrchr(path, '/');
    if (slash == NULL)
        snprintf(folder, sizeof folder, ".");
    else
        snprintf(folder, sizeof folder, "%.*s", slash == path ? 1 : (int)(slash - path), path);
    if (access(folder, W_OK | X_OK) != 0)
        wrong(check, line, section, key,
              "%s cannot be made: %s: %s; accepted: a path in a folder that can be written", path, folder,
              strerror(errno));
}

static void check_store(struct check *check)
{
    const char *path = check->config->store_file;
    struct store_reader *reader = NULL;
    struct store_error error;
    int line = check->config->lines.store_file;
    check_folder(check, line, "store", "file", path);
    if (access(path, F_OK) != 0)
        return;
    if (store_reader_open(&reader, path, &error) != STORE_OK)
        wrong(check, line, "store", "file", "%s", error.text);
    store_reader_close(reader);
    if (access(path, W_OK) != 0)
        wrong(check, line, "store", "file", "%s cannot be written: %s", path, strerror(errno));
}

static void check_tape(struct check *check)
{
    const char *path = check->config->tape_file;
    char why[160];
    int line = check->config->lines.store_tape;
    struct stat info;
    if (path[0] == '\0')
        return;
    if (stat(path, &info) != 0) {
        check_folder(check, line, "store", "tape", path);
    } else if (info.st_size > 0) {
        struct tape_reader *reader = tape_reader_open(path, why, sizeof why);
        if (reader == NULL)
            wrong(check, line, "store", "tape", "%s %s; accepted: a new file, or a tape of this version",
                  path, why);
        tape_reader_close(reader);
    }
}

static void check_port(struct check *check, size_t i)
{
    const struct config_pad *pad = &check->config->pad[i];
    struct serial_error error = {""};
    char section[64], path[CONFIG_PATH_SIZE];
    int line = check->config->lines.pad_port[i];
    snprintf(section, sizeof section, "pad %s", check->config->engine.pad[i].name);
    snprintf(path, sizeof path, "%s", pad->path);
    if (pad->port == CONFIG_PORT_USB &&
        !serial_find_usb(pad->usb_vendor, pad->usb_product, pad->usb_serial, path, sizeof path)) {
        snprintf(path, sizeof path, "usb:%04x:%04x:%s", pad->usb_vendor, pad->usb_product, pad->usb_serial);
        note(check, line, section, "port", path, "not plugged in");
    } else if (pad->port == CONFIG_PORT_EVDEV) {
        int fd = evdev_open(NULL, path, error.text, sizeof error.text);
        if (fd < 0)
            note(check, line, section, "port", path, error.text);
        else
            close(fd);
    } else {
        struct serial *serial = serial_open(path, pad->baud, &error);
        if (serial == NULL)
            note(check, line, section, "port", path, error.text);
        serial_close(serial);
    }
}

static void check_pad(struct check *check, size_t i)
{
    char *text = NULL;
    size_t len = 0;
    struct keyplan *plan = malloc(sizeof *plan);
    if (plan != NULL)
        check->problems += keyplan_file_load(plan, check->config->pad[i].plan, &text, &len, check->report);
    free(text);
    free(plan);
    check_port(check, i);
}

static void check_feed(struct check *check, size_t i)
{
    const struct config_feed *feed = &check->config->feed[i];
    struct serial_error error;
    char section[64];
    int line = check->config->lines.feed_input[i];
    snprintf(section, sizeof section, "feed %s", check->config->engine.feed[i].name);
    if (feed->input == CONFIG_INPUT_SERIAL) {
        struct serial *serial = serial_open(feed->path, feed->baud, &error);
        if (serial == NULL)
            note(check, line, section, "input", feed->path, error.text);
        serial_close(serial);
    } else if (feed->input == CONFIG_INPUT_FILE && access(feed->path, R_OK) != 0) {
        note(check, line, section, "input", feed->path, strerror(errno));
    }
}

static void check_audio(struct check *check)
{
    char why[160];
    const char *path = check->config->audio_source;
    if (check->config->audio != CONFIG_AUDIO_FIFO)
        return;
    int fd = line_open_stream(NULL, path, why, sizeof why);
    if (fd < 0)
        note(check, check->config->lines.audio_input, "timecode", "input", path, why);
    else
        close(fd);
}

static void check_checklist(struct check *check)
{
    char why[CONFIG_PATH_SIZE + 256];
    if (check->config->checklist_file[0] == '\0')
        return;
    struct checklist_file *names = checklist_file_load(check->config->checklist_file, why, sizeof why);
    if (names == NULL)
        wrong(check, check->config->lines.checklist, "dive", "checklist",
              "%s; accepted: a Darwin Core Taxon table, tab-separated, with scientificName", why);
    checklist_file_free(names);
}

static void check_tokens(struct check *check)
{
    const char *path = check->config->socket.token_file;
    if (path[0] != '\0' && access(path, R_OK) != 0)
        wrong(check, check->config->lines.token_file, "socket", "token_file", "%s cannot be read: %s", path,
              strerror(errno));
}

int check_run(const struct config *config, int problems, const struct ini_text_report *report)
{
    struct check check = {config, report, problems, 0};
    if (problems == 0) {
        check_store(&check);
        check_tape(&check);
        check_tokens(&check);
        check_checklist(&check);
        check_audio(&check);
        for (size_t i = 0; i < config->engine.pad_count; i++)
            check_pad(&check, i);
        for (size_t i = 0; i < config->engine.feed_count; i++)
            check_feed(&check, i);
    }
    if (check.problems > 0)
        printf("%s: %d wrong\n", config->file, check.problems);
    else
        printf("%s: good; %zu pads, %zu feeds, %s\n", config->file, config->engine.pad_count,
               config->engine.feed_count, config->store_file);
    return check.problems > 0 ? 1 : 0;
}
