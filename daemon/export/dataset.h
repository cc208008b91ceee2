/*
 * dataset: what an archive of occurrences needs and a dive's record cannot know: who publishes it, under which licence, what it is
 * called. `bellrope export dwca --dataset FILE` and `bellrope check --dataset FILE` read it from an INI file, section [dataset]; the keys
 * are the names below. All texts may be empty.
 */
#ifndef BELLROPE_EXPORT_DATASET_H
#define BELLROPE_EXPORT_DATASET_H

#include <stdbool.h>

struct export_dataset {
    char title[200];           /* datasetName and the EML's title; empty: made from the dive */
    char abstract[200];        /* what it is, in a sentence or two */
    char institution_code[64]; /* institutionCode */
    char collection_code[64];  /* collectionCode */
    char dataset_id[160];      /* datasetID: a DOI or another identifier that holds everywhere */
    char license[160];         /* the licence as a URI */
    char rights_holder[96];    /* rightsHolder */
    char creator[96];          /* a person's name, for the EML */
    char organization[96];     /* theirs, for the EML */
    char email[96];            /* contact */
    char id_prefix[96];   /* put before every identifier, "urn:example:cruise-7:", so that it is no other's */
    char media_base[160]; /* put before file names in associatedMedia */
    char sampling_protocol[200]; /* samplingProtocol; empty: a sentence of ours */
    char basis
        [40]; /* basisOfRecord of sightings; empty: MachineObservation, as the OBIS manual has it for images */
    bool strict_names; /* a doubtful species ("inc.", "?") gives the genus alone: see core/openname.h */
};

#endif
