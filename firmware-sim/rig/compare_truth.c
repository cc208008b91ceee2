#include "compare_truth.h"

#include <errno.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void copy_text(const json_t *line, const char *name, char *out, size_t size)
{
    const char *text = json_string_value(json_object_get(line, name));
    snprintf(out, size, "%s", text ? text : "");
}

static int64_t whole(const json_t *line, const char *name)
{
    return json_integer_value(json_object_get(line, name));
}

static void read_press(struct compare_press *press, const json_t *line)
{
    const json_t *vehicle = json_object_get(line, "vehicle");
    const json_t *timecode = json_object_get(line, "timecode");
    memset(press, 0, sizeof *press);
    press->number = (int)whole(line, "n");
    copy_text(line, "pad", press->pad, sizeof press->pad);
    copy_text(line, "key", press->key, sizeof press->key);
    press->boot = whole(line, "boot");
    press->mono_ns = whole(line, "boottime_ns");
    press->utc_ns = whole(line, "utc_ns");
    press->green_ns = -1;
    press->has_timecode = json_is_object(timecode);
    copy_text(timecode, "label", press->label, sizeof press->label);
    copy_text(timecode, "rate", press->rate, sizeof press->rate);
    press->frame = whole(timecode, "frame");
    press->within = json_number_value(json_object_get(timecode, "within"));
    press->lat_deg = json_number_value(json_object_get(vehicle, "lat_deg"));
    press->lon_deg = json_number_value(json_object_get(vehicle, "lon_deg"));
    press->depth_m = json_number_value(json_object_get(vehicle, "depth_m"));
}

static bool add_press(struct compare_truth *truth, const json_t *line)
{
    if (truth->count == truth->room) {
        size_t room = truth->room ? 2 * truth->room : 256;
        struct compare_press *bigger = realloc(truth->press, room * sizeof *bigger);
        if (!bigger)
            return false;
        truth->press = bigger;
        truth->room = room;
    }
    read_press(&truth->press[truth->count++], line);
    return true;
}

static struct compare_press *numbered(struct compare_truth *truth, int64_t number)
{
    for (size_t i = truth->count; i-- > 0;)
        if (truth->press[i].number == number)
            return &truth->press[i];
    return NULL;
}

static void add_news(struct compare_press *press, const char *type, const json_t *line)
{
    if (strcmp(type, "seen") == 0) {
        press->seq = whole(line, "seq");
        press->of_seq = whole(line, "of_seq");
    } else if (strcmp(type, "hold") == 0) {
        press->hold_seq = whole(line, "seq");
    } else if (strcmp(type, "kept") == 0) {
        const char *result = json_string_value(json_object_get(line, "result"));
        press->kept = true;
        press->refused = result && strcmp(result, "refused") == 0;
    } else if (strcmp(type, "green") == 0) {
        press->green_ns = whole(line, "boottime_ns") - press->mono_ns;
    } else if (strcmp(type, "gone") == 0) {
        press->gone = true;
        press->gone_age_ns = whole(line, "age_ns");
    }
}

static bool read_line(struct compare_truth *truth, const json_t *line)
{
    const char *type = json_string_value(json_object_get(line, "type"));
    if (!type)
        return true;
    if (strcmp(type, "press") == 0)
        return add_press(truth, line);
    if (strcmp(type, "rig") == 0)
        truth->begin_ns = whole(line, "boottime_ns");
    else if (strcmp(type, "end") == 0)
        truth->end_ns = whole(line, "boottime_ns");
    else if (strcmp(type, "phantom") == 0)
        truth->phantoms++;
    struct compare_press *press = json_object_get(line, "n") ? numbered(truth, whole(line, "n")) : NULL;
    if (press)
        add_news(press, type, line);
    return true;
}

bool compare_truth_load(struct compare_truth *truth, const char *path)
{
    FILE *file = fopen(path, "re");
    bool sound = true;
    memset(truth, 0, sizeof *truth);
    truth->end_ns = INT64_MAX;
    if (!file) {
        fprintf(stderr, "bellrope-rig: %s: %s\n", path, strerror(errno));
        return false;
    }
    while (sound) {
        json_error_t error;
        json_t *line = json_loadf(file, JSON_DISABLE_EOF_CHECK, &error);
        if (!line) {
            sound = feof(file) != 0;
            if (!sound)
                fprintf(stderr, "bellrope-rig: %s: no truth file: %s\n", path, error.text);
            break;
        }
        sound = read_line(truth, line);
        json_decref(line);
    }
    (void)fclose(file);
    return sound;
}

void compare_truth_free(struct compare_truth *truth)
{
    free(truth->press);
    truth->press = NULL;
}

/* Markers come nearly in the order of the presses: the search goes on from where the last one ended. */
struct compare_press *compare_truth_find(struct compare_truth *truth, const char *pad, int64_t boot,
                                         int64_t seq)
{
    for (size_t i = 0; i < truth->count && seq != 0; i++) {
        size_t at = (truth->hint + i) % truth->count;
        struct compare_press *press = &truth->press[at];
        if (press->boot == boot && (press->seq == seq || press->hold_seq == seq) &&
            strcmp(press->pad, pad) == 0) {
            truth->hint = at;
            return press;
        }
    }
    return NULL;
}
