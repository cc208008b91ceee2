#include "cli/keylabels.h"

#include <string.h>

#define PAGE_WIDTH_MM 210.0
#define PAGE_HEIGHT_MM 297.0
#define MARGIN_MM 12.0
#define TITLE_MM 8.0
#define GAP_MM 1.0 /* between labels, for the scissors */

/* A width of one em in this typeface's average letter; text longer than its room is set narrower by the reader (textLength). */
#define LETTER_EM 0.56

static void put_text(FILE *out, const char *text)
{
    for (; *text != '\0'; text++) {
        unsigned char c = (unsigned char)*text;
        if (c == '&')
            fputs("&amp;", out);
        else if (c == '<')
            fputs("&lt;", out);
        else if (c == '>')
            fputs("&gt;", out);
        else
            fputc(c < 0x20 || c == 0x7f ? ' ' : c, out);
    }
}

static size_t letters(const char *text, size_t len)
{
    size_t count = 0;
    for (size_t i = 0; i < len && text[i] != '\0'; i++)
        count += ((unsigned char)text[i] & 0xc0) != 0x80;
    return count;
}

static void put_line(FILE *out, double x, double y, double size, double room, const char *style,
                     const char *text, size_t len)
{
    char line[LABEL_SIZE + 1];
    if (len >= sizeof line)
        len = sizeof line - 1;
    memcpy(line, text, len);
    line[len] = '\0';
    fprintf(out, "<text x=\"%.2f\" y=\"%.2f\" font-size=\"%.2f\"%s", x, y, size, style);
    if ((double)letters(line, len) * size * LETTER_EM > room)
        fprintf(out, " textLength=\"%.2f\" lengthAdjust=\"spacingAndGlyphs\"", room);
    fputc('>', out);
    put_text(out, line);
    fputs("</text>\n", out);
}

/* In one line or, at the blank nearest to its middle, in two. Returns where the next line may stand. */
static double put_label(FILE *out, double x, double y, double size, double room, const char *style,
                        const char *text)
{
    size_t len = strlen(text), cut = 0;
    for (size_t i = 1; i < len; i++) {
        size_t far = i * 2 > len ? i * 2 - len : len - i * 2,
               best = cut * 2 > len ? cut * 2 - len : len - cut * 2;
        if (text[i] == ' ' && (cut == 0 || far < best))
            cut = i;
    }
    bool two = cut > 0 && (double)letters(text, len) * size * LETTER_EM > room;
    put_line(out, x, y, size, room, style, text, two ? cut : len);
    if (two)
        put_line(out, x, y + size * 1.1, size, room, style, text + cut + 1, len - cut - 1);
    return y + size * (two ? 2.3 : 1.2);
}

static const char *words_of(const struct key_def *def)
{
    return def->label[0] != '\0' ? def->label : dive_phase_name(def->phase);
}

static void put_key(FILE *out, const struct keyplan *plan, uint8_t key, double x, double y, double side)
{
    const struct key_def *tap = keyplan_find(plan, key, KEY_GESTURE_TAP, key);
    const struct key_def *hold = keyplan_find(plan, key, KEY_GESTURE_HOLD, key);
    char name[KEY_SIZE];
    double middle = x + side / 2, room = side - 2, size = side * 0.15, at = y + side * 0.36;
    fprintf(
        out,
        "<rect x=\"%.2f\" y=\"%.2f\" width=\"%.2f\" height=\"%.2f\" rx=\"1\" fill=\"none\" stroke=\"#000\" "
        "stroke-width=\"0.15\"/>\n",
        x, y, side, side);
    keyplan_key_name(key, plan->rows, plan->columns, name);
    put_line(out, x + 1.2, y + side * 0.16, side * 0.11, room, " fill=\"#555\"", name, strlen(name));
    if (tap != NULL)
        at = put_label(out, middle, at, size, room, " text-anchor=\"middle\" font-weight=\"bold\"",
                       words_of(tap));
    if (tap != NULL && tap->container[0] != '\0')
        at = put_label(out, middle, at + 0.3, size * 0.85, room, " text-anchor=\"middle\"", tap->container);
    if (hold != NULL)
        put_label(out, middle, at + 0.3, size * 0.85, room, " text-anchor=\"middle\" font-style=\"italic\"",
                  words_of(hold));
}

/* Two keys together have no label of their own: they are listed below. Returns the height used. */
static double put_chords(FILE *out, const struct keyplan *plan, double x, double y, double room)
{
    double at = y;
    for (size_t i = 0; i < plan->def_count; i++) {
        const struct key_def *def = &plan->def[i];
        char line[KEY_SIZE + LABEL_SIZE + 4];
        if (def->gesture != KEY_GESTURE_CHORD)
            continue;
        at += 3.4;
        int len = snprintf(line, sizeof line, "%s  %s", def->name, words_of(def));
        put_line(out, x, at, 2.8, room, "", line, (size_t)len);
    }
    return at - y;
}

static double put_plan(FILE *out, const struct keylabels_sheet *sheet, size_t i, double y)
{
    const struct keyplan *plan = sheet->plan[i];
    double side = sheet->pitch_mm - GAP_MM, room = PAGE_WIDTH_MM - 2 * MARGIN_MM;
    char title[KEYPLAN_TITLE_SIZE + SEAT_SIZE + 16];
    snprintf(title, sizeof title, "%s: %s", sheet->seat[i], plan->title);
    put_line(out, MARGIN_MM, y + 5, 4, room, " font-weight=\"bold\"", title, strlen(title));
    y += TITLE_MM;
    for (uint8_t row = 0; row < plan->rows; row++)
        for (uint8_t column = 0; column < plan->columns; column++)
            put_key(out, plan, (uint8_t)(row * plan->columns + column), MARGIN_MM + column * sheet->pitch_mm,
                    y + row * sheet->pitch_mm, side);
    double beside = MARGIN_MM + plan->columns * sheet->pitch_mm + 4,
           wide = PAGE_WIDTH_MM - MARGIN_MM - beside;
    double keys = plan->rows * sheet->pitch_mm;
    double chords = wide > 30 ? put_chords(out, plan, beside, y, wide)
                              : keys + put_chords(out, plan, MARGIN_MM, y + keys, room);
    return y + (chords > keys ? chords : keys) + 4;
}

static void put_ruler(FILE *out, double y)
{
    fprintf(out,
            "<path d=\"M%.2f %.2fh100m-100 -1.5v3m100 -3v3m-50 -2.5v2\" fill=\"none\" stroke=\"#000\" "
            "stroke-width=\"0.2\"/>\n",
            MARGIN_MM, y);
    put_line(out, MARGIN_MM + 103, y + 1, 2.8, 80, "", "100 mm: if it is not, print at 100 %", 36);
}

bool keylabels_write(const struct keylabels_sheet *sheet, FILE *out)
{
    double y = MARGIN_MM;
    bool fits = true;
    fprintf(out,
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%.0fmm\" height=\"%.0fmm\" viewBox=\"0 0 %.0f "
            "%.0f\" "
            "font-family=\"sans-serif\" xml:space=\"preserve\">\n<title>Key labels</title>\n",
            PAGE_WIDTH_MM, PAGE_HEIGHT_MM, PAGE_WIDTH_MM, PAGE_HEIGHT_MM);
    put_ruler(out, y);
    y += 5;
    for (size_t i = 0; i < sheet->count; i++) {
        fits = fits && MARGIN_MM * 2 + sheet->plan[i]->columns * sheet->pitch_mm <= PAGE_WIDTH_MM;
        y = put_plan(out, sheet, i, y);
    }
    fputs("</svg>\n", out);
    return fits && y <= PAGE_HEIGHT_MM - MARGIN_MM + 4;
}
