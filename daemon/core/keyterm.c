#include "core/keyterm.h"

#include "core/checklist.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

/* Darwin Core terms that a key may be given, written down from memory of the standard's term list. */
static const char *const dwc_terms[] = {
    "associatedMedia",
    "associatedOccurrences",
    "associatedTaxa",
    "behavior",
    "bed",
    "caste",
    "catalogNumber",
    "degreeOfEstablishment",
    "disposition",
    "dynamicProperties",
    "establishmentMeans",
    "eventRemarks",
    "eventType",
    "fieldNotes",
    "fieldNumber",
    "habitat",
    "identificationQualifier",
    "identificationRemarks",
    "identificationVerificationStatus",
    "identifiedBy",
    "individualCount",
    "lifeStage",
    "locality",
    "locationRemarks",
    "materialEntityType",
    "materialSampleID",
    "measurementMethod",
    "measurementRemarks",
    "measurementType",
    "measurementUnit",
    "measurementValue",
    "occurrenceRemarks",
    "occurrenceStatus",
    "organismID",
    "organismQuantity",
    "organismQuantityType",
    "organismRemarks",
    "organismScope",
    "pathway",
    "preparations",
    "recordedBy",
    "recordNumber",
    "relatedResourceID",
    "relationshipOfResource",
    "relationshipRemarks",
    "reproductiveCondition",
    "sampleSizeUnit",
    "sampleSizeValue",
    "samplingEffort",
    "samplingProtocol",
    "scientificName",
    "scientificNameID",
    "sex",
    "taxonRank",
    "taxonRemarks",
    "verbatimIdentification",
    "vernacularName",
    "vitality",
};

static const char *const rope_terms[] = {"ask", "view", "scale"};

static bool is_in(const char *const *list, size_t count, const char *name, size_t length)
{
    for (size_t i = 0; i < count; i++)
        if (strlen(list[i]) == length && memcmp(list[i], name, length) == 0)
            return true;
    return false;
}

static bool check_dwc(const char *name, size_t length, char *why, size_t size)
{
    size_t count = sizeof dwc_terms / sizeof dwc_terms[0];
    if (is_in(dwc_terms, count, name, length))
        return true;
    /* "sex" is near to too many words. */
    for (size_t i = 0; i < count; i++) {
        size_t known = strlen(dwc_terms[i]);
        if (known > 4 && checklist_distance(dwc_terms[i], known, name, length, 2) <= 2) {
            snprintf(why, size, "'dwc:%.*s' is no Darwin Core term; did you mean dwc:%s?", (int)length, name,
                     dwc_terms[i]);
            return false;
        }
    }
    return true;
}

bool keyterm_check(const char *term, char *why, size_t size)
{
    size_t prefix = strcspn(term, ":");
    const char *name = term + prefix + (term[prefix] == ':');
    size_t length = strcspn(name, "=");
    bool sound =
        prefix > 0 && term[prefix] == ':' && length > 0 && (name[length] == '\0' || name[length + 1] != '\0');
    for (size_t i = 0; i < prefix && sound; i++)
        sound = islower((unsigned char)term[i]) || isdigit((unsigned char)term[i]);
    for (size_t i = 0; i < length && sound; i++)
        sound = isalnum((unsigned char)name[i]) || strchr("_-.:/", name[i]) != NULL;
    if (!sound) {
        snprintf(why, size,
                 "'%.60s' is no term; accepted: PREFIX:NAME or PREFIX:NAME=VALUE, as dwc:behavior=feeding",
                 term);
        return false;
    }
    if (prefix == 3 && memcmp(term, "dwc", 3) == 0)
        return check_dwc(name, length, why, size);
    if (prefix == 4 && memcmp(term, "rope", 4) == 0 &&
        !is_in(rope_terms, sizeof rope_terms / sizeof rope_terms[0], name, length)) {
        snprintf(why, size, "'%.60s' is not known; after rope: accepted are ask, view, scale", term);
        return false;
    }
    return true;
}
