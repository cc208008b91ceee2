#include "export/report_stills.h"

#include "export/html.h"

#include <jansson.h>
#include <stdlib.h>
#include <string.h>

/* No page is helped by pictures larger than this within it. */
#define EMBED_BYTES_MAX (1024 * 1024)
#define DEPTH_MAX 16

struct reading {
    struct report_stills *stills;
    const struct report_data *data;
    bool small;
    bool failed;
};

struct owner {
    uint32_t sighting, marker;
};

static bool ends_with(const char *text, const char *end)
{
    size_t length = strlen(text), tail = strlen(end);
    return length >= tail && strcmp(text + length - tail, end) == 0;
}

static const char *type_of(const char *file)
{
    return ends_with(file, ".jpg") || ends_with(file, ".jpeg") ? "image/jpeg"
           : ends_with(file, ".png")                           ? "image/png"
           : ends_with(file, ".webp")                          ? "image/webp"
                                                               : NULL;
}

static bool inside_folder(const char *file)
{
    return file[0] != '\0' && file[0] != '/' && strstr(file, "..") == NULL && strchr(file, ':') == NULL &&
           strchr(file, '\\') == NULL && strlen(file) < REPORT_STILL_NAME;
}

static void add_still(struct reading *reading, const char *file, struct owner owner)
{
    struct report_stills *stills = reading->stills;
    if (file == NULL || type_of(file) == NULL || !inside_folder(file) ||
        (owner.sighting == 0 && owner.marker == 0))
        return;
    for (size_t i = 0; i < stills->count; i++)
        if (strcmp(stills->still[i].file, file) == 0)
            return;
    struct report_still *grown = realloc(stills->still, (stills->count + 1) * sizeof *grown);
    reading->failed |= grown == NULL;
    if (grown == NULL)
        return;
    stills->still = grown;
    struct report_still *still = &grown[stills->count++];
    *still = (struct report_still){.sighting = owner.sighting, .marker = owner.marker};
    snprintf(still->file, sizeof still->file, "%s", file);
}

/* A reference to a marker or sighting of this dive. */
static void take_owner(const struct reading *reading, const json_t *ref, struct owner *owner)
{
    char dive[DIVE_ID_SIZE], letter = ' ';
    uint32_t number = 0;
    if (!json_is_string(ref) || !entry_ref_parse(json_string_value(ref), dive, &letter, &number))
        return;
    if (dive[0] != '\0' && strcmp(dive, reading->data->dive) != 0)
        return;
    if (letter == 'S')
        owner->sighting = number;
    if (letter == 'M') {
        const struct report_marker *marker = report_marker_of(reading->data, number);
        owner->marker = number;
        if (marker != NULL && owner->sighting == 0)
            owner->sighting = marker->sighting;
    }
}

/* The picture of that name; in place of a still its small one, where that is wanted and there. */
static const char *picture_of(const struct reading *reading, const json_t *object, const char *name)
{
    const char *small = json_string_value(json_object_get(object, "small"));
    const char *file = json_string_value(json_object_get(object, name));
    return file != NULL && small != NULL && reading->small && strcmp(name, "still") == 0 ? small : file;
}

static void walk(struct reading *reading, json_t *at, struct owner owner, int depth)
{
    static const char *const names[] = {"still", "stills", "thumbnail", "image", "images", "file"};
    size_t i;
    const char *key;
    json_t *value;
    if (depth > DEPTH_MAX)
        return;
    if (json_is_array(at)) {
        json_array_foreach(at, i, value)
        {
            add_still(reading, json_string_value(value), owner);
            walk(reading, value, owner, depth + 1);
        }
        return;
    }
    if (!json_is_object(at))
        return;
    take_owner(reading, json_object_get(at, "sighting"), &owner);
    take_owner(reading, json_object_get(at, "marker"), &owner);
    take_owner(reading, json_object_get(at, "ref"), &owner);
    for (i = 0; i < sizeof names / sizeof names[0]; i++)
        add_still(reading, picture_of(reading, at, names[i]), owner);
    json_object_foreach(at, key, value) if (json_is_object(value) || json_is_array(value))
        walk(reading, value, owner, depth + 1);
}

int report_stills_read(struct report_stills *stills, const struct report_data *data, const char *folder,
                       bool small, char *why, size_t why_size)
{
    char path[4096];
    json_error_t error;
    *stills = (struct report_stills){0};
    if (folder == NULL)
        return 0;
    snprintf(path, sizeof path, "%s/index.json", folder);
    FILE *in = fopen(path, "rb");
    if (in == NULL)
        return 0;
    json_t *index = json_loadf(in, 0, &error);
    fclose(in);
    if (index == NULL) {
        snprintf(why, why_size, "%.300s, line %d: %s", path, error.line, error.text);
        return -1;
    }
    struct reading reading = {.stills = stills, .data = data, .small = small};
    walk(&reading, index, (struct owner){0}, 0);
    json_decref(index);
    if (reading.failed)
        snprintf(why, why_size, "out of memory");
    return reading.failed ? -1 : 0;
}

void report_stills_free(struct report_stills *stills)
{
    free(stills->still);
    *stills = (struct report_stills){0};
}

/* ---- the src ---- */

/* RFC 4648. */
static void put_base64(FILE *out, FILE *in)
{
    static const char digit[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    unsigned char three[3];
    size_t got;
    while ((got = fread(three, 1, 3, in)) > 0) {
        for (size_t i = got; i < 3; i++)
            three[i] = 0;
        fputc(digit[three[0] >> 2], out);
        fputc(digit[(three[0] & 3) << 4 | three[1] >> 4], out);
        fputc(got > 1 ? digit[(three[1] & 15) << 2 | three[2] >> 6] : '=', out);
        fputc(got > 2 ? digit[three[2] & 63] : '=', out);
    }
}

static bool put_embedded(FILE *out, const char *folder, const char *file)
{
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", folder, file);
    FILE *in = fopen(path, "rb");
    if (in == NULL)
        return false;
    bool fits = fseek(in, 0, SEEK_END) == 0 && ftell(in) >= 0 && ftell(in) <= EMBED_BYTES_MAX &&
                fseek(in, 0, SEEK_SET) == 0;
    if (fits) {
        fprintf(out, "data:%s;base64,", type_of(file));
        put_base64(out, in);
    }
    fclose(in);
    return fits;
}

/* A path as a URL: RFC 3986's unreserved characters and the slash stay. */
static void put_path(FILE *out, const char *path)
{
    for (; *path != '\0'; path++) {
        unsigned char byte = (unsigned char)*path;
        bool plain = (byte >= '0' && byte <= '9') || (byte >= 'A' && byte <= 'Z') ||
                     (byte >= 'a' && byte <= 'z') || strchr("-._~/", byte) != NULL;
        fprintf(out, plain ? "%c" : "%%%02X", byte);
    }
}

bool report_still_source(FILE *out, const char *folder, const char *link, const char *file, bool embed)
{
    if (embed && put_embedded(out, folder, file))
        return true;
    put_path(out, link != NULL ? link : folder);
    size_t length = strlen(link != NULL ? link : folder);
    if (length > 0 && (link != NULL ? link : folder)[length - 1] != '/')
        fputc('/', out);
    put_path(out, file);
    return !embed;
}
