#include "export/dwcmedia.h"

#include <jansson.h>
#include <stdlib.h>
#include <string.h>

#define DEPTH_MAX 16

struct reading {
    struct dwcmedia *media;
    struct export_job *job;
    uint32_t looked_up; /* a marker's sighting */
    bool failed;
};

static bool marker_row(void *ctx, const struct query_marker *row)
{
    ((struct reading *)ctx)->looked_up = row->struck ? 0 : row->marker.sighting;
    return false;
}

/* The number of the sighting that a reference means; 0: none of this dive. */
static uint32_t sighting_of(struct reading *reading, const json_t *ref)
{
    char dive[DIVE_ID_SIZE], letter;
    uint32_t number;
    if (!json_is_string(ref) || !entry_ref_parse(json_string_value(ref), dive, &letter, &number) ||
        (dive[0] != '\0' && strcmp(dive, reading->job->dive) != 0))
        return 0;
    if (letter != 'M')
        return letter == 'S' ? number : 0;
    struct query_want want = {.dive = reading->job->dive, .after = (int64_t)number - 1, .limit = 1};
    reading->looked_up = 0;
    if (query_markers(reading->job->reader, &want, marker_row, reading) < 0)
        reading->failed = true;
    return reading->looked_up;
}

static void add(struct reading *reading, uint32_t sighting, const char *name)
{
    struct dwcmedia *media = reading->media;
    if (sighting == 0 || name == NULL || name[0] == '\0')
        return;
    for (size_t i = 0; i < media->count; i++)
        if (media->file[i].sighting == sighting && strcmp(media->file[i].name, name) == 0)
            return;
    struct dwcmedia_file *grown = realloc(media->file, (media->count + 1) * sizeof *grown);
    char *copy = strdup(name);
    if (grown != NULL)
        media->file = grown;
    if (grown == NULL || copy == NULL) {
        free(copy);
        reading->failed = true;
        return;
    }
    media->file[media->count++] = (struct dwcmedia_file){sighting, copy};
}

static void add_files(struct reading *reading, const json_t *object, uint32_t sighting)
{
    static const char *const names[] = {"clip",  "clips",  "file",  "files",
                                        "still", "stills", "image", "images"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        size_t at;
        const json_t *each, *value = json_object_get(object, names[i]);
        add(reading, sighting, json_string_value(value));
        json_array_foreach(value, at, each)
        {
            add(reading, sighting, json_string_value(each));
        }
    }
}

static void walk(struct reading *reading, json_t *at, uint32_t sighting, int depth)
{
    static const char *const owners[] = {"sighting", "marker", "ref"};
    size_t i;
    const char *key;
    json_t *value;
    if (depth > DEPTH_MAX)
        return;
    json_array_foreach(at, i, value)
    {
        walk(reading, value, sighting, depth + 1);
    }
    if (!json_is_object(at))
        return;
    for (i = 0; i < sizeof owners / sizeof owners[0]; i++) {
        uint32_t own = sighting_of(reading, json_object_get(at, owners[i]));
        sighting = own != 0 ? own : sighting;
    }
    add_files(reading, at, sighting);
    json_object_foreach(at, key, value)
    {
        walk(reading, value, sighting, depth + 1);
    }
}

int dwcmedia_open(struct dwcmedia *media, struct export_job *job, const char *path)
{
    json_error_t error;
    *media = (struct dwcmedia){0};
    if (path == NULL)
        return 0;
    json_t *index = json_load_file(path, 0, &error);
    if (index == NULL)
        return export_fail(job, "%.400s, line %d: %s", path, error.line, error.text);
    struct reading reading = {.media = media, .job = job};
    walk(&reading, index, 0, 0);
    json_decref(index);
    return reading.failed
               ? export_fail(job, "%.400s: it cannot be matched with the record, or there is no memory", path)
               : 0;
}

void dwcmedia_close(struct dwcmedia *media)
{
    for (size_t i = 0; i < media->count; i++)
        free(media->file[i].name);
    free(media->file);
    *media = (struct dwcmedia){0};
}
