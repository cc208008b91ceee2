#include "cli/eventline.h"

#include "cli/show.h"

#include <stdbool.h>
#include <string.h>

struct line {
    char *out;
    size_t len;
};

static bool starts_character(char c)
{
    return ((unsigned char)c & 0xc0) != 0x80;
}

static void put_char(struct line *line, char c)
{
    if (line->len + 1 < EVENTLINE_SIZE)
        line->out[line->len++] = (unsigned char)c < 0x20 || c == 0x7f ? ' ' : c;
}

static void put_blanks(struct line *line, int count)
{
    while (count-- > 0)
        put_char(line, ' ');
}

/* A column of `width` places, negative: to the right; and a blank behind it. A longer text is cut. */
static void put_cell(struct line *line, const char *text, int width)
{
    int most = width < 0 ? -width : width, places = 0;
    for (const char *at = text; *at != '\0'; at++)
        places += starts_character(*at) ? 1 : 0;
    places = places < most ? places : most;
    put_blanks(line, width < 0 ? most - places : 0);
    int left = most;
    for (const char *at = text; *at != '\0'; at++) {
        if (starts_character(*at) && left-- == 0)
            break;
        put_char(line, *at);
    }
    put_blanks(line, width < 0 ? 1 : most - places + 1);
}

static void put_text(struct line *line, const char *text)
{
    for (; *text != '\0'; text++)
        put_char(line, *text);
}

static const char *or_dash(const char *text)
{
    return text[0] != '\0' ? text : "-";
}

const char *eventline_head(void)
{
    return "UTC            WITHIN TIMECODE    MARKER SEAT     KEY   LABEL                SEEN     DEPTH";
}

static void put_marker(struct line *line, const json_t *event)
{
    char text[SHOW_SIZE];
    put_cell(line, show_bound(event, text), -8);
    put_cell(line, or_dash(show_text(event, "timecode")), 11);
    put_cell(line, show_ref(event, "id"), 6);
    put_cell(line, show_text(event, "seat"), 8);
    put_cell(line, show_text(event, "key"), 5);
    put_cell(line, show_text(event, "label"), 20);
    put_cell(line, show_ref(event, "sighting"), 5);
    put_cell(line, show_channel(event, "vehicle.depth_m", 1, text), -8);
    if (strcmp(show_text(event, "origin"), "late") == 0)
        put_text(line, " late");
    put_text(line, " ");
    put_text(line, show_text(event, "note"));
}

/* Everything but markers: what it is about, and what there is to say. */
static void put_other(struct line *line, const json_t *event)
{
    static const char *const about[] = {"id", "target", "about", "seat", "dive"};
    static const char *const told[] = {"state",     "cause", "label", "container", "closed_by", "name",
                                       "qualifier", "text",  "who",   "by",        "why",       "advice"};
    const char *subject = "";
    for (size_t i = 0; i < sizeof about / sizeof about[0] && subject[0] == '\0'; i++)
        subject = show_text(event, about[i]);
    put_cell(line, "", 8);
    put_cell(line, show_text(event, "type"), 14);
    put_cell(line, subject, 16);
    bool comma = false;
    for (size_t i = 0; i < sizeof told / sizeof told[0]; i++) {
        const char *text = show_text(event, told[i]);
        if (text[0] == '\0')
            continue;
        put_text(line, comma ? ", " : "");
        put_text(line, text);
        comma = true;
    }
}

const char *eventline(const json_t *event, char out[EVENTLINE_SIZE])
{
    char time[SHOW_SIZE];
    struct line line = {.out = out};
    put_cell(&line, show_time(event, "utc", time), 12);
    if (strcmp(show_text(event, "type"), "marker") == 0)
        put_marker(&line, event);
    else
        put_other(&line, event);
    while (line.len > 0 && out[line.len - 1] == ' ')
        line.len--;
    out[line.len] = '\0';
    return out;
}
