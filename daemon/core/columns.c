/* columns: reading a line by a layout (see columns.h). The setters that build the layout are in columns_layout.c. */
#include "core/columns.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

struct span {
    const char *from, *to;
};

/* Walks the fields of a separated line. */
struct walk {
    const char *at, *end;
    char separator;
    unsigned column; /* of the field last taken, from 1 */
    bool done;
};

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

static struct span stripped(struct span s)
{
    while (s.from < s.to && is_blank(*s.from)) {
        s.from++;
    }
    while (s.to > s.from && is_blank(s.to[-1])) {
        s.to--;
    }
    return s;
}

static bool digit(char c)
{
    return c >= '0' && c <= '9';
}

/* 10^exponent with one rounding where it is exact (up to 10^22), which covers what instruments send. */
static double scaled(double mantissa, int exponent)
{
    static const double exact[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8,  1e9,  1e10, 1e11,
                                   1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};

    if (exponent >= 0) {
        return exponent <= 22 ? mantissa * exact[exponent] : mantissa * pow(10.0, exponent);
    }
    return exponent >= -22 ? mantissa / exact[-exponent] : mantissa * pow(10.0, exponent);
}

/* Digits with at most one point; *exponent counts the decimals down. False without any digit or with too many. */
static bool mantissa(struct span *s, uint64_t *value, int *exponent)
{
    int count = 0;
    bool point = false;

    for (; s->from < s->to && (digit(*s->from) || (*s->from == '.' && !point)); s->from++) {
        if (*s->from == '.') {
            point = true;
            continue;
        }
        *value = *value * 10U + (unsigned)(*s->from - '0');
        *exponent -= point;
        count++;
    }
    return count > 0 && count <= 18;
}

/* e+dd, at most three digits. */
static bool exponent(struct span *s, int *out)
{
    if (s->from == s->to || (*s->from != 'e' && *s->from != 'E')) {
        return true;
    }
    s->from++;
    bool negative = s->from < s->to && *s->from == '-';
    s->from += negative || (s->from < s->to && *s->from == '+');
    int value = 0;
    const char *first = s->from;
    for (; s->from < s->to && digit(*s->from) && s->from - first < 3; s->from++) {
        value = value * 10 + (*s->from - '0');
    }
    *out += negative ? -value : value;
    return s->from > first;
}

static bool parse_number(struct span s, double *out)
{
    bool negative = s.from < s.to && *s.from == '-';
    uint64_t value = 0;
    int power = 0;

    s.from += negative || (s.from < s.to && *s.from == '+');
    if (!mantissa(&s, &value, &power) || !exponent(&s, &power) || s.from != s.to) {
        return false;
    }
    double result = value == 0 ? 0.0 : scaled((double)value, power);
    *out = negative && result != 0.0 ? -result : result;
    return isfinite(result);
}

static bool is_nan(struct span s)
{
    static const char nan_text[] = "nan";

    if (s.to - s.from != 3) {
        return false;
    }
    for (int i = 0; i < 3; i++) {
        if (tolower((unsigned char)s.from[i]) != nan_text[i]) {
            return false;
        }
    }
    return true;
}

/* The ways in which instruments write that they have no value: nothing, nan, or a run of '*' or '-'. */
static bool says_nothing(struct span s)
{
    if (s.from == s.to || is_nan(s)) {
        return true;
    }
    char first = *s.from;
    while (s.from < s.to && *s.from == first) {
        s.from++;
    }
    return s.from == s.to && (first == '*' || first == '-');
}

static const char *end_of_field(const struct walk *w)
{
    const char *at = w->at;

    if (w->separator == ' ') {
        while (at < w->end && !is_blank(*at)) {
            at++;
        }
        return at;
    }
    const char *found = memchr(at, w->separator, (size_t)(w->end - at));
    return found != NULL ? found : w->end;
}

/* The next field; false when the line has no more. A line "1,2," has three, the last of them empty. */
static bool next_field(struct walk *w, struct span *out)
{
    while (w->separator == ' ' && w->at < w->end && is_blank(*w->at)) {
        w->at++;
    }
    if (w->done || (w->separator == ' ' && w->at == w->end)) {
        return false;
    }
    *out = (struct span){w->at, end_of_field(w)};
    w->done = out->to == w->end;
    w->at = w->done ? w->end : out->to + 1;
    w->column++;
    return true;
}

static bool walk_to(struct walk *w, unsigned column, struct span *field)
{
    while (w->column < column) {
        if (!next_field(w, field)) {
            return false;
        }
    }
    return true;
}

/* The text of each wanted field, in the order of the layout. */
static bool cut(const struct columns *columns, struct span line, struct span out[COLUMNS_MAX])
{
    struct walk w = {
        .at = line.from, .end = line.to, .separator = columns->separator != 0 ? columns->separator : ','};
    struct span field = line;

    for (int i = 0; i < columns->count; i++) {
        const struct columns_field *f = &columns->field[i];
        if (!columns->fixed) {
            if (!walk_to(&w, f->first, &field)) {
                return false;
            }
            out[i] = stripped(field);
        } else if (line.to - line.from >= f->last) {
            out[i] = stripped((struct span){line.from + (f->first - 1), line.from + f->last});
        } else {
            return false;
        }
    }
    return true;
}

static int hex(char c)
{
    if (digit(c)) {
        return c - '0';
    }
    return isxdigit((unsigned char)c) ? toupper((unsigned char)c) - 'A' + 10 : -1;
}

/* Takes "*hh" off a line that starts with '$'; false if its sum is wrong. */
static bool take_checksum(struct span *line)
{
    if (line->to - line->from < 4 || *line->from != '$' || line->to[-3] != '*' || hex(line->to[-2]) < 0 ||
        hex(line->to[-1]) < 0) {
        return true;
    }
    int sum = 0;
    for (const char *at = line->from + 1; at < line->to - 3; at++) {
        sum ^= (unsigned char)*at;
    }
    bool right = sum == hex(line->to[-2]) * 16 + hex(line->to[-1]);
    line->to -= 3;
    return right;
}

static bool passed_over(const struct columns *columns, struct span line)
{
    size_t len = (size_t)(line.to - line.from);

    if (columns->prefix_len > 0) {
        return len < columns->prefix_len || memcmp(line.from, columns->prefix, columns->prefix_len) != 0;
    }
    return len == 0 || *line.from == '#' || *line.from == '%';
}

static double converted(const struct columns_field *field, double number)
{
    if (field->scale == 1.0 && field->offset == 0.0) {
        return number;
    }
    double value = field->scale * number + field->offset;
    return fabs(value) < 9e6 ? round(value * 1e9) / 1e9 : value;
}

enum columns_verdict columns_decode(const struct columns *columns, const char *line, size_t len,
                                    columns_fn *sink, void *ctx)
{
    struct span whole = {line, line + len};
    struct span field[COLUMNS_MAX];
    double value[COLUMNS_MAX];
    bool known[COLUMNS_MAX];
    int count = 0;

    while (whole.to > whole.from && (whole.to[-1] == '\0' || whole.to[-1] == '\r')) {
        whole.to--;
    }
    if (passed_over(columns, whole)) {
        return COLUMNS_PASSED_OVER;
    }
    if (!take_checksum(&whole)) {
        return COLUMNS_BAD_CHECKSUM;
    }
    if (!cut(columns, whole, field)) {
        return COLUMNS_TOO_SHORT;
    }
    for (int i = 0; i < columns->count; i++) {
        known[i] = parse_number(field[i], &value[i]);
        if (!known[i] && !says_nothing(field[i])) {
            return COLUMNS_NOT_NUMBER;
        }
        count += known[i];
    }
    for (int i = 0; i < columns->count; i++) {
        if (known[i]) {
            sink(ctx, columns->field[i].channel, converted(&columns->field[i], value[i]));
        }
    }
    return count > 0 ? COLUMNS_OK : COLUMNS_NO_DATA;
}

const char *columns_verdict_name(enum columns_verdict verdict)
{
    static const char *const names[COLUMNS_VERDICTS] = {"ok",        "no data",      "passed over",
                                                        "too short", "not a number", "bad checksum"};

    return names[verdict];
}
