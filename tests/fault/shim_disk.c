#include "shim_disk.h"

#include "shim.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

static struct disk_faults *faults;

static const int failures[SHIM_OPS] = {SQLITE_CANTOPEN,    SQLITE_OK,          SQLITE_IOERR_DELETE,
                                       SQLITE_IOERR_READ,  SQLITE_IOERR_WRITE, SQLITE_IOERR_TRUNCATE,
                                       SQLITE_IOERR_FSYNC, SQLITE_IOERR_FSTAT};

static int strike(int rc)
{
    atomic_fetch_add(&faults->struck, 1);
    return rc;
}

static bool lengthens(const struct shim_call *call)
{
    sqlite3_int64 size = 0;
    return call->op == SHIM_WRITE &&
           (call->real->pMethods->xFileSize(call->real, &size) != SQLITE_OK || call->at + call->len > size);
}

static void delay(int ms)
{
    const struct timespec wait = {ms / 1000, ms % 1000 * 1000000L};
    (void)strike(0);
    (void)nanosleep(&wait, NULL);
}

static int on_call(void *ctx, const struct shim_call *call)
{
    (void)ctx;
    if (call->op == SHIM_CLOSE || call->path == NULL)
        return SQLITE_OK;
    long number = atomic_fetch_add(&faults->calls, 1) + 1;
    bool changes = call->op == SHIM_WRITE || call->op == SHIM_TRUNCATE || call->op == SHIM_SYNC;
    if (number == atomic_load(&faults->fail_at))
        return strike(failures[call->op]);
    if (changes && atomic_load(&faults->read_only))
        return strike(failures[call->op]);
    if (atomic_load(&faults->full) && lengthens(call))
        return strike(SQLITE_FULL);
    int ms = atomic_load(&faults->sync_delay_ms);
    if (call->op == SHIM_SYNC && ms > 0)
        delay(ms);
    return SQLITE_OK;
}

/* Before main. Without the file, or where SQLite is not loaded, nothing is done. */
static void __attribute__((constructor)) begin(void)
{
    const char *path = getenv("BELLROPE_SHIM");
    int fd = path != NULL ? open(path, O_RDWR | O_CLOEXEC) : -1;
    if (fd < 0)
        return;
    void *mapped = mmap(NULL, sizeof *faults, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    (void)close(fd);
    if (mapped == MAP_FAILED)
        return;
    faults = mapped;
    if (sqlite3_initialize() == SQLITE_OK)
        (void)shim_install(on_call, NULL, -1);
}
