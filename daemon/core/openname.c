#include "core/openname.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

#define WORDS_MAX 24
#define WORD_SIZE 64
#define VERBATIM_SIZE (OPENNAME_NAME_SIZE + OPENNAME_QUALIFIER_SIZE + OPENNAME_AUTHOR_SIZE)

static const char *const doubt_names[] = {"certain", "stet.", "indet.", "nov.", "aff.", "cf.", "inc."};

/* The signs. A rank alone ("sp.", "gen.") says that nothing lower is known; beside another sign it says what that sign speaks of. */
static const struct {
    const char *text;
    enum openname_doubt doubt;
    bool is_rank;
    bool needs_dot; /* without a dot it may be a word of its own */
} signs[] = {
    {"cf", OPENNAME_CONFER, false, false}, {"aff", OPENNAME_AFFINE, false, false},
    {"nr", OPENNAME_AFFINE, false, false}, {"indet", OPENNAME_INDET, false, false},
    {"stet", OPENNAME_STET, false, false}, {"inc", OPENNAME_INCERTA, false, false},
    {"nov", OPENNAME_NEW, false, true},    {"n", OPENNAME_NEW, false, true},
    {"sp", OPENNAME_INDET, true, false},   {"spp", OPENNAME_INDET, true, false},
    {"gen", OPENNAME_INDET, true, true},   {"fam", OPENNAME_INDET, true, true},
    {"ord", OPENNAME_INDET, true, true},   {"subgen", OPENNAME_INDET, true, true},
    {"cl", OPENNAME_INDET, true, true},    {"phyl", OPENNAME_INDET, true, true},
};
#define SIGNS (sizeof signs / sizeof signs[0])

struct words {
    char word[WORDS_MAX][WORD_SIZE];
    size_t count;
};

const char *openname_doubt_name(enum openname_doubt doubt)
{
    return (unsigned)doubt < sizeof doubt_names / sizeof doubt_names[0] ? doubt_names[doubt] : "";
}

/* Index of the sign that a word is, or begins with up to its first dot; SIGNS: none. */
static size_t sign_of(const char *word)
{
    size_t length = strcspn(word, ".[");
    for (size_t i = 0; i < SIGNS; i++)
        if (strlen(signs[i].text) == length && memcmp(signs[i].text, word, length) == 0 &&
            (word[length] == '.' || (!signs[i].needs_dot && word[length] == '\0')))
            return i;
    return SIGNS;
}

/* Ends a word after a dot that follows a sign, and around "[...]", so that "sp.[x1]aff." is three. */
static size_t atom_length(const char *text)
{
    if (text[0] == '[') {
        size_t inside = strcspn(text, "]");
        return inside + (text[inside] == ']');
    }
    size_t length = strcspn(text, " \t.[");
    if (text[length] != '.')
        return length;
    return sign_of(text) < SIGNS ? length + 1 : strcspn(text, " \t[");
}

static bool split(struct words *words, const char *text, bool atoms)
{
    words->count = 0;
    for (text += strspn(text, " \t"); *text != '\0'; text += strspn(text, " \t")) {
        size_t length = atoms ? atom_length(text) : strcspn(text, " \t");
        if (words->count == WORDS_MAX || length >= WORD_SIZE)
            return false;
        memcpy(words->word[words->count], text, length);
        words->word[words->count++][length] = '\0';
        text += length;
    }
    return true;
}

static bool append(char *out, size_t size, const char *text, bool space)
{
    size_t used = strlen(out);
    int wrote = snprintf(out + used, size - used, "%s%s", space && used > 0 ? " " : "", text);
    return wrote >= 0 && (size_t)wrote < size - used;
}

/* --- the qualifier --- */

static bool is_new(const struct words *words, size_t at)
{
    size_t sign = at < words->count ? sign_of(words->word[at]) : SIGNS;
    return sign < SIGNS && signs[sign].doubt == OPENNAME_NEW;
}

static bool is_rank(const struct words *words, size_t at)
{
    size_t sign = at < words->count ? sign_of(words->word[at]) : SIGNS;
    return sign < SIGNS && signs[sign].is_rank;
}

/* "n. sp." and "nov. sp." become "sp. nov."; a "nov." that follows a rank, or a rank that has its own, is left alone. */
static void put_new_last(struct words *words)
{
    for (size_t i = 0; i < words->count; i++) {
        if (!is_new(words, i))
            continue;
        memcpy(words->word[i], "nov.", 5);
        if (is_rank(words, i + 1) && !is_new(words, i + 2) && (i == 0 || !is_rank(words, i - 1))) {
            memcpy(words->word[i], words->word[i + 1], WORD_SIZE);
            memcpy(words->word[i + 1], "nov.", 5);
            i++;
        }
    }
}

static enum openname_doubt doubt_of(const struct words *words)
{
    enum openname_doubt doubt = OPENNAME_CERTAIN;
    bool rank = false;
    for (size_t i = 0; i < words->count; i++) {
        size_t sign = sign_of(words->word[i]);
        if (sign == SIGNS)
            continue;
        rank = rank || signs[sign].is_rank;
        if (!signs[sign].is_rank && signs[sign].doubt > doubt)
            doubt = signs[sign].doubt;
    }
    return doubt == OPENNAME_CERTAIN && rank ? OPENNAME_INDET : doubt;
}

/* One spelling: every sign with its dot, no space between signs, none at all where a temporary name "[...]" is part of it. */
static bool write_qualifier(struct openname *out, struct words *words)
{
    bool temporary = false, after_sign = false, fits = true;
    put_new_last(words);
    out->doubt = doubt_of(words);
    for (size_t i = 0; i < words->count; i++)
        temporary = temporary || words->word[i][0] == '[';
    for (size_t i = 0; i < words->count && fits; i++) {
        char *word = words->word[i];
        size_t sign = sign_of(word);
        if (sign < SIGNS)
            snprintf(word, WORD_SIZE, "%s.", signs[sign].text);
        fits =
            append(out->qualifier, sizeof out->qualifier, word, !temporary && !(after_sign && sign < SIGNS));
        after_sign = sign < SIGNS;
    }
    return fits;
}

/* --- the name --- */

static bool is_letter(char c)
{
    return isalpha((unsigned char)c) || (unsigned char)c >= 0x80;
}

/* Small words that begin a person's name, not a species'. */
static bool is_particle(const char *word)
{
    static const char *const particles[] = {"de", "von", "van", "du",  "da",  "des", "le",  "la",
                                            "et", "in",  "ex",  "der", "den", "ten", "ter", "zu"};
    for (size_t i = 0; i < sizeof particles / sizeof particles[0]; i++)
        if (strcmp(particles[i], word) == 0)
            return true;
    return strncmp(word, "d'", 2) == 0;
}

static bool is_epithet(const char *word)
{
    return islower((unsigned char)word[0]) && !is_particle(word);
}

/* "(Subgenus)" right behind the genus and before a species. */
static bool is_subgenus(const struct words *words, size_t at, size_t end)
{
    const char *word = words->word[at];
    size_t length = strlen(word);
    return at == 1 && at + 1 < end && length > 3 && word[0] == '(' && word[length - 1] == ')' &&
           isupper((unsigned char)word[1]) && strcspn(word, ",.&") == length &&
           is_epithet(words->word[at + 1]);
}

/* Index of the first word of the authorship; `end`: there is none. */
static size_t author_at(const struct words *words, size_t end)
{
    for (size_t i = 1; i < end; i++) {
        const char *word = words->word[i];
        bool begins = isupper((unsigned char)word[0]) || word[0] == '(' || (unsigned char)word[0] >= 0x80 ||
                      is_particle(word);
        if (begins && !is_subgenus(words, i, end))
            return i;
    }
    return end;
}

static bool write_name(struct openname *out, const struct words *words, size_t end)
{
    size_t author = author_at(words, end);
    bool fits = true;
    for (size_t i = 0; i < author && fits; i++)
        fits = append(out->name, sizeof out->name, words->word[i], true);
    for (size_t i = author; i < end && fits; i++)
        fits = append(out->author, sizeof out->author, words->word[i], true);
    out->name[0] = (char)toupper((unsigned char)out->name[0]);
    return fits;
}

/* Takes question marks out of `text`; true: there was one. */
static bool take_question_marks(char *text)
{
    char *to = text;
    bool any = false;
    for (const char *from = text; *from != '\0'; from++) {
        any = any || *from == '?';
        if (*from != '?')
            *to++ = *from;
    }
    *to = '\0';
    return any;
}

static bool refuse(const char **why, const char *text)
{
    *why = text;
    return false;
}

bool openname_parse(const char *verbatim, struct openname *out, const char **why)
{
    static const char *const too_long =
        "the name is too long; leave remarks out of it and add them as a remark";
    char text[VERBATIM_SIZE];
    char rest[VERBATIM_SIZE] = "";
    struct words words, atoms;
    *out = (struct openname){.doubt = OPENNAME_CERTAIN};
    *why = "";
    size_t length = strlen(verbatim);
    if (length >= sizeof text)
        return refuse(why, too_long);
    for (const char *c = verbatim; *c != '\0'; c++)
        if ((unsigned char)*c < 0x20 && *c != '\t')
            return refuse(why, "the name holds a control character");
    memcpy(text, verbatim, length + 1);
    bool question = take_question_marks(text);
    if (!split(&words, text, false))
        return refuse(why, too_long);
    if (words.count == 0)
        return refuse(why, "no name was given");
    if (!is_letter(words.word[0][0]) || sign_of(words.word[0]) < SIGNS)
        return refuse(why, "a name comes first, then the doubt about it, as in: Gadus cf. morhua");
    size_t end = 1;
    while (end < words.count && sign_of(words.word[end]) == SIGNS)
        end++;
    for (size_t i = end; i < words.count; i++)
        append(rest, sizeof rest, words.word[i], true);
    if (!write_name(out, &words, end) || !split(&atoms, rest, true) || !write_qualifier(out, &atoms))
        return refuse(why, too_long);
    if (question) {
        out->doubt = OPENNAME_INCERTA;
        if (!append(out->qualifier, sizeof out->qualifier, "?", true))
            return refuse(why, too_long);
    }
    return true;
}

void openname_strict_name(const struct openname *parsed, char *out)
{
    snprintf(out, OPENNAME_NAME_SIZE, "%s", parsed->name);
    bool genus = strncmp(parsed->qualifier, "gen.", 4) == 0 || strncmp(parsed->qualifier, "fam.", 4) == 0;
    char *last = strrchr(out, ' ');
    if (parsed->doubt == OPENNAME_INCERTA && !genus && last != NULL && is_epithet(last + 1))
        *last = '\0';
}

bool openname_qualify(const char *name, const char *qualifier, struct openname *out, const char **why)
{
    char both[VERBATIM_SIZE];
    int length = snprintf(both, sizeof both, "%s %s", name, qualifier);
    if (length < 0 || (size_t)length >= sizeof both)
        return refuse(why, "the name is too long; leave remarks out of it and add them as a remark");
    if (!openname_parse(both, out, why))
        return false;
    size_t skip = strspn(qualifier, " \t");
    if (out->qualifier[0] == '\0' && qualifier[skip] != '\0')
        return refuse(
            why, "no sign of doubt in the qualifier; accepted: cf. aff. sp. spp. indet. stet. inc. nov. ?");
    return true;
}
