/*
 * openname: a name as a person wrote it, taken apart into the clean name and the doubt about it.
 *
 *   verbatim                                    clean name           qualifier
 *   Gadus cf. morhua                            Gadus                cf. morhua
 *   Aristeidae stet.                            Aristeidae           stet.
 *   Nematocarcinus sp.indet.                    Nematocarcinus       sp.indet.
 *   Brisinga costata sp.inc.                    Brisinga costata     sp.inc.
 *   Paroriza sp.[unique123]aff. pallens         Paroriza             sp.[unique123]aff.pallens
 *
 * These rows are examples of the OBIS manual. Signs of open nomenclature: Sigovini, Keppel & Tagliapietra 2016, Methods in Ecology and
 * Evolution, doi 10.1111/2041-210X.12594; for images Horton et al. 2021, Frontiers in Marine Science, doi 10.3389/fmars.2021.620702.
 * The three parts are Darwin Core's verbatimIdentification, scientificName and identificationQualifier.
 *
 * Also taken: signs without their dot ("cf morhua"), "n. sp." for "sp. nov.", "nr." (near) as aff., and a question mark anywhere for inc.
 * Authorship after the name goes to a part of its own. A name typed in small letters gets its capital.
 *
 * Pure; texts are UTF-8; nothing is looked up: a clean name may still be misspelled (see checklist).
 */
#ifndef BELLROPE_CORE_OPENNAME_H
#define BELLROPE_CORE_OPENNAME_H

#include <stdbool.h>
#include <stddef.h>

#define OPENNAME_NAME_SIZE 96
#define OPENNAME_QUALIFIER_SIZE 48
#define OPENNAME_AUTHOR_SIZE 64

/* How sure the name is, from its qualifier; the strongest doubt wins. */
enum openname_doubt {
    OPENNAME_CERTAIN,
    OPENNAME_STET,   /* left at this rank on purpose */
    OPENNAME_INDET,  /* cannot go lower: features not visible, or plain "sp." */
    OPENNAME_NEW,    /* sp. nov. and the like: thought to be undescribed */
    OPENNAME_AFFINE, /* aff.: related to, but not the named one */
    OPENNAME_CONFER, /* cf.: looks like the named one, not compared enough */
    OPENNAME_INCERTA /* inc. or "?": the name itself is doubtful */
};
/* "certain", "stet.", "indet.", "nov.", "aff.", "cf.", "inc." */
const char *openname_doubt_name(enum openname_doubt doubt);

struct openname {
    char name[OPENNAME_NAME_SIZE];           /* the clean name: what stands before the first sign */
    char qualifier[OPENNAME_QUALIFIER_SIZE]; /* in one spelling; empty: none */
    char author[OPENNAME_AUTHOR_SIZE];       /* authorship if it was written: "Linnaeus, 1758" */
    enum openname_doubt doubt;
};

/*
 * Takes `verbatim` apart. False, with `why` in plain words (a static text), where it is empty, too long, or begins with no name at all.
 * A text without any sign is a clean name and comes back as it is, spaces put right.
 */
bool openname_parse(const char *verbatim, struct openname *out, const char **why);

/*
 * The name without the species that an "inc." or "?" makes doubtful: "Brisinga costata sp.inc." gives "Brisinga". Practice differs (the OBIS
 * manual keeps the species in some rows), so exports choose. A doubtful genus or family has nothing above it to fall back on and stays.
 * `out` holds OPENNAME_NAME_SIZE.
 */
void openname_strict_name(const struct openname *parsed, char *out);

/*
 * The same from parts, as the command line gives them: a clean name and a qualifier ("cf. morhua", "sp. indet.", "inc.") that is brought to
 * the one spelling. False, with `why`, for a qualifier that holds no known sign.
 */
bool openname_qualify(const char *name, const char *qualifier, struct openname *out, const char **why);

#endif
