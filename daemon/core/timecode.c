/*
 * timecode: labels and frame counts by the formula of SMPTE ST 12-1 for drop-frame, and the 80-bit LTC word.
 *
 * With F labels a second, d labels dropped a minute (2 at 29.97 DF, 4 at 59.94 DF, else 0) and m minutes since midnight:
 *   frame = (60 m + s) F + f - d (m - m div 10)
 * and back by counting whole tens of minutes (10 (60 F - d) + d frames each), then minutes of which the first of ten is longer by d.
 * Rejected: per-minute loops (libltc counts labels up one by one) and floating point, which loses frames late in the day.
 */
#include "core/timecode.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

__extension__ typedef __int128 wide;

struct rate_facts {
    const char *name;
    int32_t num, den;
    int32_t fps;  /* nominal: labels a second */
    int32_t drop; /* labels left out in nine minutes of ten */
    enum timecode_rate word;
};

static const struct rate_facts rates[TIMECODE_RATES] = {
    [TC_RATE_23_976] = {"23.976", 24000, 1001, 24, 0, TC_RATE_23_976},
    [TC_RATE_24] = {"24", 24, 1, 24, 0, TC_RATE_24},
    [TC_RATE_25] = {"25", 25, 1, 25, 0, TC_RATE_25},
    [TC_RATE_29_97_DF] = {"29.97df", 30000, 1001, 30, 2, TC_RATE_29_97_DF},
    [TC_RATE_29_97_NDF] = {"29.97ndf", 30000, 1001, 30, 0, TC_RATE_29_97_NDF},
    [TC_RATE_30] = {"30", 30, 1, 30, 0, TC_RATE_30},
    [TC_RATE_50] = {"50", 50, 1, 50, 0, TC_RATE_25},
    [TC_RATE_59_94_DF] = {"59.94df", 60000, 1001, 60, 4, TC_RATE_29_97_DF},
    [TC_RATE_59_94_NDF] = {"59.94ndf", 60000, 1001, 60, 0, TC_RATE_29_97_NDF},
    [TC_RATE_60] = {"60", 60, 1, 60, 0, TC_RATE_30},
};

static const struct {
    const char *spelling;
    int rate; /* enum timecode_rate, or a negative enum timecode_error */
} spellings[] = {
    {"23.976", TC_RATE_23_976},
    {"23.98", TC_RATE_23_976},
    {"24000/1001", TC_RATE_23_976},
    {"24", TC_RATE_24},
    {"24.0", TC_RATE_24},
    {"25", TC_RATE_25},
    {"25.0", TC_RATE_25},
    {"29.97df", TC_RATE_29_97_DF},
    {"29.97d", TC_RATE_29_97_DF},
    {"30000/1001df", TC_RATE_29_97_DF},
    {"29.97ndf", TC_RATE_29_97_NDF},
    {"29.97nd", TC_RATE_29_97_NDF},
    {"30000/1001ndf", TC_RATE_29_97_NDF},
    {"30", TC_RATE_30},
    {"30.0", TC_RATE_30},
    {"30ndf", TC_RATE_30},
    {"50", TC_RATE_50},
    {"50.0", TC_RATE_50},
    {"59.94df", TC_RATE_59_94_DF},
    {"59.94d", TC_RATE_59_94_DF},
    {"60000/1001df", TC_RATE_59_94_DF},
    {"59.94ndf", TC_RATE_59_94_NDF},
    {"59.94nd", TC_RATE_59_94_NDF},
    {"60000/1001ndf", TC_RATE_59_94_NDF},
    {"60", TC_RATE_60},
    {"60.0", TC_RATE_60},
    {"60ndf", TC_RATE_60},
    {"29.97", TIMECODE_EAMBIGUOUS},
    {"30000/1001", TIMECODE_EAMBIGUOUS},
    {"59.94", TIMECODE_EAMBIGUOUS},
    {"60000/1001", TIMECODE_EAMBIGUOUS},
};

/* Lower case without blanks, '-' and '_'; a comma becomes a point. False where it is too long to be a rate. */
static bool plain_text(const char *text, char *plain, size_t size)
{
    size_t length = 0;
    for (; *text != '\0'; text++) {
        if (*text == ' ' || *text == '\t' || *text == '-' || *text == '_')
            continue;
        if (length + 1 >= size)
            return false;
        plain[length++] = *text == ',' ? '.' : (char)tolower((unsigned char)*text);
    }
    plain[length] = '\0';
    if (length > 3 && strcmp(plain + length - 3, "fps") == 0)
        plain[length - 3] = '\0';
    return true;
}

int timecode_rate_parse(const char *text, enum timecode_rate *rate)
{
    char plain[24];
    if (!plain_text(text, plain, sizeof plain))
        return TIMECODE_ESYNTAX;
    for (size_t i = 0; i < sizeof spellings / sizeof spellings[0]; i++) {
        if (strcmp(plain, spellings[i].spelling) != 0)
            continue;
        if (spellings[i].rate < 0)
            return spellings[i].rate;
        *rate = (enum timecode_rate)spellings[i].rate;
        return 0;
    }
    return TIMECODE_ESYNTAX;
}

const char *timecode_rate_name(enum timecode_rate rate)
{
    return rates[rate].name;
}

void timecode_rate_fraction(enum timecode_rate rate, int32_t *num, int32_t *den)
{
    *num = rates[rate].num;
    *den = rates[rate].den;
}

int32_t timecode_nominal_fps(enum timecode_rate rate)
{
    return rates[rate].fps;
}

int64_t timecode_frames_per_day(enum timecode_rate rate)
{
    return INT64_C(86400) * rates[rate].fps - INT64_C(24) * 54 * rates[rate].drop;
}

bool timecode_is_drop(enum timecode_rate rate)
{
    return rates[rate].drop != 0;
}

enum timecode_rate timecode_word_rate(enum timecode_rate rate)
{
    return rates[rate].word;
}

int timecode_check(struct timecode tc, enum timecode_rate rate)
{
    if (tc.hh > 23 || tc.mm > 59 || tc.ss > 59 || tc.ff >= rates[rate].fps)
        return TIMECODE_ERANGE;
    if (tc.ss == 0 && tc.mm % 10 != 0 && tc.ff < rates[rate].drop)
        return TIMECODE_EDROPPED;
    return 0;
}

int timecode_to_frame(struct timecode tc, enum timecode_rate rate, int64_t *frame)
{
    int error = timecode_check(tc, rate);
    if (error != 0)
        return error;
    const int64_t minutes = tc.hh * 60 + tc.mm;
    *frame = (minutes * 60 + tc.ss) * rates[rate].fps + tc.ff - rates[rate].drop * (minutes - minutes / 10);
    return 0;
}

int64_t timecode_wrap(int64_t frame, enum timecode_rate rate)
{
    const int64_t day = timecode_frames_per_day(rate);
    const int64_t rest = frame % day;
    return rest < 0 ? rest + day : rest;
}

int64_t timecode_wrap_near(int64_t frames, enum timecode_rate rate)
{
    const int64_t day = timecode_frames_per_day(rate), rest = timecode_wrap(frames, rate);
    return rest > day / 2 ? rest - day : rest;
}

struct timecode timecode_from_frame(int64_t frame, enum timecode_rate rate)
{
    const int64_t fps = rates[rate].fps, drop = rates[rate].drop;
    const int64_t minute = 60 * fps - drop, ten_minutes = 10 * minute + drop;
    int64_t n = timecode_wrap(frame, rate);
    const int64_t tens = n / ten_minutes, rest = n % ten_minutes;
    /* Put the labels left out back in: then it counts like non-drop. */
    n += 9 * drop * tens + (rest >= drop ? drop * ((rest - drop) / minute) : 0);
    return (struct timecode){.hh = (uint8_t)(n / (3600 * fps)),
                             .mm = (uint8_t)(n / (60 * fps) % 60),
                             .ss = (uint8_t)(n / fps % 60),
                             .ff = (uint8_t)(n % fps)};
}

int timecode_add(struct timecode tc, int64_t frames, enum timecode_rate rate, struct timecode *sum)
{
    int64_t frame;
    int error = timecode_to_frame(tc, rate, &frame);
    if (error != 0)
        return error;
    *sum = timecode_from_frame(frame + timecode_wrap(frames, rate), rate);
    return 0;
}

/* One or two digits; advances *text past them. */
static bool two_digits(const char **text, uint8_t *value)
{
    if (!isdigit((unsigned char)**text))
        return false;
    unsigned v = (unsigned)(*(*text)++ - '0');
    if (isdigit((unsigned char)**text))
        v = v * 10 + (unsigned)(*(*text)++ - '0');
    *value = (uint8_t)v;
    return true;
}

int timecode_parse(const char *text, enum timecode_rate rate, struct timecode *tc)
{
    struct timecode got = {0, 0, 0, 0};
    uint8_t *field[] = {&got.hh, &got.mm, &got.ss, &got.ff};
    for (int i = 0; i < 4; i++) {
        if (!two_digits(&text, field[i]))
            return TIMECODE_ESYNTAX;
        const char mark = *text;
        if (i == 3)
            break;
        if (mark == '\0' || strchr(i < 2 ? ":" : ":;,.", mark) == NULL)
            return TIMECODE_ESYNTAX;
        if (i == 2 && mark != ':' && !timecode_is_drop(rate))
            return TIMECODE_ESYNTAX;
        text++;
    }
    if (*text != '\0')
        return TIMECODE_ESYNTAX;
    int error = timecode_check(got, rate);
    if (error == 0)
        *tc = got;
    return error;
}

void timecode_format(struct timecode tc, enum timecode_rate rate, char text[TIMECODE_TEXT])
{
    snprintf(text, TIMECODE_TEXT, "%02u:%02u:%02u%c%02u", tc.hh % 100u, tc.mm % 100u, tc.ss % 100u,
             timecode_is_drop(rate) ? ';' : ':', tc.ff % 100u);
}

static int64_t floor_div(wide n, wide d)
{
    wide q = n / d;
    return (int64_t)((n % d != 0 && n < 0) ? q - 1 : q);
}

int64_t timecode_frame_at_ns(int64_t ns, enum timecode_rate rate)
{
    return floor_div((wide)ns * rates[rate].num, (wide)1000000000 * rates[rate].den);
}

int64_t timecode_frame_start_ns(int64_t frame, enum timecode_rate rate)
{
    return -floor_div(-(wide)frame * 1000000000 * rates[rate].den, rates[rate].num);
}

int64_t timecode_uf_at_ns(int64_t ns, enum timecode_rate rate)
{
    return floor_div((wide)ns * rates[rate].num, (wide)1000 * rates[rate].den);
}

/* Where the flags sit at a rate: bit numbers of BGF0, BGF1, BGF2 and polarity. */
static const uint8_t flags_25[4] = {27, 58, 43, 59}, flags_other[4] = {43, 58, 59, 27};

static const uint8_t *flag_bits(enum timecode_rate rate)
{
    return rates[timecode_word_rate(rate)].fps == 25 ? flags_25 : flags_other;
}

static unsigned get_bits(const uint8_t *packed, unsigned first, unsigned count)
{
    return (unsigned)(packed[first / 8] >> (first % 8)) & ((1u << count) - 1u);
}

static void put_bits(uint8_t *packed, unsigned first, unsigned value)
{
    packed[first / 8] = (uint8_t)(packed[first / 8] | value << (first % 8));
}

/* A decimal field: units in four bits at `units`, tens at `tens`. False where the units are no digit. */
static bool get_field(const uint8_t *packed, unsigned units, unsigned tens, unsigned tens_bits,
                      uint8_t *value)
{
    unsigned low = get_bits(packed, units, 4);
    *value = (uint8_t)(get_bits(packed, tens, tens_bits) * 10 + low);
    return low <= 9;
}

int timecode_word_decode(const uint8_t packed[TIMECODE_WORD_BYTES], enum timecode_rate rate,
                         struct timecode_word *word)
{
    struct timecode_word got = {.user_bits = 0};
    if (packed[8] != 0xFC || packed[9] != 0xBF)
        return TIMECODE_ESYNTAX;
    bool digits = get_field(packed, 0, 8, 2, &got.tc.ff) && get_field(packed, 16, 24, 3, &got.tc.ss) &&
                  get_field(packed, 32, 40, 3, &got.tc.mm) && get_field(packed, 48, 56, 2, &got.tc.hh);
    if (!digits || got.tc.ff > 29 || got.tc.ss > 59 || got.tc.mm > 59 || got.tc.hh > 23)
        return TIMECODE_ESYNTAX;
    for (unsigned group = 0; group < 8; group++)
        got.user_bits |= (uint32_t)get_bits(packed, 4 + 8 * group, 4) << (4 * group);
    const uint8_t *flag = flag_bits(rate);
    for (unsigned i = 0; i < 3; i++)
        got.bgf = (uint8_t)(got.bgf | get_bits(packed, flag[i], 1) << i);
    got.polarity = get_bits(packed, flag[3], 1) != 0;
    got.drop = get_bits(packed, 10, 1) != 0;
    got.colour = get_bits(packed, 11, 1) != 0;
    *word = got;
    return 0;
}

static void put_field(uint8_t *packed, unsigned units, unsigned tens, uint8_t value)
{
    put_bits(packed, units, value % 10u);
    put_bits(packed, tens, value / 10u);
}

static unsigned count_ones(const uint8_t *packed)
{
    unsigned ones = 0;
    for (unsigned bit = 0; bit < 8 * TIMECODE_WORD_BYTES; bit++)
        ones += get_bits(packed, bit, 1);
    return ones;
}

void timecode_word_encode(const struct timecode_word *word, enum timecode_rate rate,
                          uint8_t packed[TIMECODE_WORD_BYTES])
{
    memset(packed, 0, TIMECODE_WORD_BYTES);
    packed[8] = 0xFC;
    packed[9] = 0xBF;
    put_field(packed, 0, 8, word->tc.ff);
    put_field(packed, 16, 24, word->tc.ss);
    put_field(packed, 32, 40, word->tc.mm);
    put_field(packed, 48, 56, word->tc.hh);
    for (unsigned group = 0; group < 8; group++)
        put_bits(packed, 4 + 8 * group, word->user_bits >> (4 * group) & 0xFu);
    put_bits(packed, 10, word->drop ? 1 : 0);
    put_bits(packed, 11, word->colour ? 1 : 0);
    const uint8_t *flag = flag_bits(rate);
    for (unsigned i = 0; i < 3; i++)
        put_bits(packed, flag[i], word->bgf >> i & 1u);
    /* 80 bits: an even number of zeros is an even number of ones. */
    put_bits(packed, flag[3], count_ones(packed) % 2);
}
