#include "export/spool.h"

#include <stdlib.h>
#include <unistd.h>

FILE *spool_open(void)
{
    char path[4096];
    const char *folder = getenv("TMPDIR");
    snprintf(path, sizeof path, "%s/bellrope-XXXXXX", folder != NULL && folder[0] != '\0' ? folder : "/tmp");
    int fd = mkstemp(path);
    if (fd < 0)
        return NULL;
    unlink(path); /* it lasts as long as it is open */
    FILE *spool = fdopen(fd, "w+b");
    if (spool == NULL)
        close(fd);
    return spool;
}

int spool_pour(FILE *spool, FILE *out)
{
    char bytes[16384];
    long left = ftell(spool);
    if (left < 0 || fflush(spool) != 0)
        return -1;
    rewind(spool);
    while (left > 0) {
        size_t wanted = left < (long)sizeof bytes ? (size_t)left : sizeof bytes;
        size_t got = fread(bytes, 1, wanted, spool);
        if (got == 0)
            return -1;
        fwrite(bytes, 1, got, out);
        left -= (long)got;
    }
    rewind(spool);
    return 0;
}
