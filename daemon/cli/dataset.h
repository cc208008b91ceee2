/* dataset: reads the [dataset] section that export dwca and check take (export/dataset.h); every mistake is told by file, line and key. */
#ifndef BELLROPE_CLI_DATASET_H
#define BELLROPE_CLI_DATASET_H

#include "cli/cli.h"
#include "export/dataset.h"

/* False: said why on stderr. */
bool dataset_read(const struct cli_verb *verb, const char *path, struct export_dataset *out);

#endif
