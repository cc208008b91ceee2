#include "export/dwczip.h"

#include <archive.h>
#include <archive_entry.h>
#include <stdlib.h>

/* A quarter larger than at 6, in under half of the time. */
#define LEVEL "3"

struct dwczip {
    struct archive *archive;
    FILE *out;
    bool failed;
    char why[200];
};

static void failed(struct dwczip *zip)
{
    const char *text = archive_error_string(zip->archive);
    if (!zip->failed)
        snprintf(zip->why, sizeof zip->why, "%s", text != NULL ? text : "the archive cannot be written");
    zip->failed = true;
}

static la_ssize_t to_file(struct archive *archive, void *ctx, const void *bytes, size_t len)
{
    struct dwczip *zip = ctx;
    (void)archive;
    return fwrite(bytes, 1, len, zip->out) == len ? (la_ssize_t)len : -1;
}

struct dwczip *dwczip_open(FILE *out)
{
    struct dwczip *zip = calloc(1, sizeof *zip);
    if (zip == NULL)
        return NULL;
    zip->out = out;
    zip->archive = archive_write_new();
    if (zip->archive == NULL) {
        free(zip);
        return NULL;
    }
    if (archive_write_set_format_zip(zip->archive) != ARCHIVE_OK ||
        archive_write_set_format_option(zip->archive, "zip", "compression-level", LEVEL) != ARCHIVE_OK ||
        archive_write_set_bytes_in_last_block(zip->archive, 1) != ARCHIVE_OK ||
        archive_write_open(zip->archive, zip, NULL, to_file, NULL) != ARCHIVE_OK)
        failed(zip);
    return zip;
}

void dwczip_entry(struct dwczip *zip, const char *name)
{
    struct archive_entry *entry = archive_entry_new();
    if (entry == NULL) {
        zip->failed = true;
        snprintf(zip->why, sizeof zip->why, "out of memory");
        return;
    }
    archive_entry_set_pathname(entry, name);
    archive_entry_set_filetype(entry, AE_IFREG);
    archive_entry_set_perm(entry, 0644);
    if (!zip->failed && archive_write_header(zip->archive, entry) != ARCHIVE_OK)
        failed(zip);
    archive_entry_free(entry);
}

void dwczip_write(struct dwczip *zip, const char *bytes, size_t len)
{
    while (len > 0 && !zip->failed) {
        la_ssize_t written = archive_write_data(zip->archive, bytes, len);
        if (written <= 0) {
            failed(zip);
            return;
        }
        bytes += written;
        len -= (size_t)written;
    }
}

bool dwczip_close(struct dwczip *zip, char *why, size_t size)
{
    if (archive_write_close(zip->archive) != ARCHIVE_OK)
        failed(zip);
    bool fine = !zip->failed;
    if (!fine)
        snprintf(why, size, "%s", zip->why);
    archive_write_free(zip->archive);
    free(zip);
    return fine;
}
