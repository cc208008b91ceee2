#include "export/spool.h"

FILE *spool_open(void)
{
    return tmpfile();
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
