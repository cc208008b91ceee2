#include "export/svg.h"

#include "export/html.h"

#include <math.h>
#include <stdlib.h>

double svg_place(const struct svg_scale *scale, double value)
{
    double span = scale->to - scale->from;
    double part = fabs(span) > 0 ? (value - scale->from) / span : 0.5;
    return scale->at + part * (scale->end - scale->at);
}

double svg_step(double span, int most)
{
    if (!(span > 0) || !isfinite(span))
        return 1;
    double raw = span / most, power = pow(10, floor(log10(raw)));
    double part = raw / power;
    return (part <= 1 ? 1 : part <= 2 ? 2 : part <= 5 ? 5 : 10) * power;
}

int svg_decimals(double step)
{
    double digits = ceil(-log10(step) - 1e-9);
    return digits < 0 ? 0 : digits > 8 ? 8 : (int)digits;
}

int64_t svg_time_step_ns(int64_t span_ns, int most)
{
    static const int steps_s[] = {1,   2,   5,    10,   15,   30,    60,    120,   300,
                                  600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400};
    size_t count = sizeof steps_s / sizeof steps_s[0];
    for (size_t i = 0; i < count; i++)
        if (span_ns / (steps_s[i] * NS_PER_S) < most)
            return steps_s[i] * NS_PER_S;
    return steps_s[count - 1] * NS_PER_S;
}

void svg_path_begin(struct svg_path *path, FILE *out, const char *class_name)
{
    *path = (struct svg_path){.out = out};
    fprintf(out, "<path class=\"%s\" d=\"", class_name);
}

static void put_tenths(FILE *out, long tenths)
{
    long whole = labs(tenths) / 10, rest = labs(tenths) % 10;
    fprintf(out, "%s%ld", tenths < 0 ? "-" : "", whole);
    if (rest != 0)
        fprintf(out, ".%ld", rest);
}

static void put_pair(struct svg_path *path, char command, long x, long y)
{
    fputc(command, path->out);
    put_tenths(path->out, x);
    fputc(' ', path->out);
    put_tenths(path->out, y);
}

void svg_path_point(struct svg_path *path, double x, double y)
{
    long to_x = lround(x * 10), to_y = lround(y * 10);
    if (!path->open)
        put_pair(path, 'M', to_x, to_y);
    else if (to_x != path->x || to_y != path->y)
        put_pair(path, path->drawn ? 'l' : 'L', to_x - (path->drawn ? path->x : 0),
                 to_y - (path->drawn ? path->y : 0));
    path->drawn = path->open;
    path->open = true;
    path->x = to_x;
    path->y = to_y;
}

void svg_path_dot(struct svg_path *path, double x, double y)
{
    put_pair(path, 'M', lround(x * 10), lround(y * 10));
    fputs("h0", path->out);
}

void svg_path_break(struct svg_path *path)
{
    path->open = path->drawn = false;
}

void svg_path_end(struct svg_path *path)
{
    fputs("\"/>\n", path->out);
}

void svg_begin(FILE *out, const char *id, double height, const char *title, const char *description)
{
    fprintf(out,
            "<svg viewBox=\"0 0 %d %.0f\" role=\"img\" aria-labelledby=\"%s-t %s-d\">\n<title id=\"%s-t\">",
            SVG_WIDTH, height, id, id, id);
    html_text(out, title);
    fprintf(out, "</title>\n<desc id=\"%s-d\">", id);
    html_text(out, description);
    fputs("</desc>\n", out);
}

void svg_end(FILE *out)
{
    fputs("</svg>\n", out);
}
