/*
 * shim: a layer between SQLite and the file system (a VFS, https://www.sqlite.org/vfs.html), registered as the default of the process. Each
 * call that touches a file is shown to a hook first, which lets it pass, fails it, or swallows it.
 */
#ifndef BELLROPE_TESTS_FAULT_SHIM_H
#define BELLROPE_TESTS_FAULT_SHIM_H

#include <sqlite3.h>
#include <stdbool.h>

enum shim_op {
    SHIM_OPEN,
    SHIM_CLOSE,
    SHIM_DELETE,
    SHIM_READ,
    SHIM_WRITE,
    SHIM_TRUNCATE,
    SHIM_SYNC,
    SHIM_SIZE,
    SHIM_OPS
};
const char *shim_op_name(enum shim_op op);

struct shim_call {
    enum shim_op op;
    const char *path;   /* NULL: a temporary file */
    sqlite3_file *real; /* the file beneath; NULL for SHIM_OPEN and SHIM_DELETE */
    const void *bytes;  /* SHIM_WRITE */
    int len;
    sqlite3_int64 at; /* SHIM_WRITE, SHIM_READ; the new size for SHIM_TRUNCATE */
    int flags;        /* SHIM_OPEN */
};

enum { SHIM_SWALLOW = -1 };

/* SQLITE_OK: the call is carried out. SHIM_SWALLOW: it is not, and succeeds. Else: it fails with that code. */
typedef int shim_hook(void *ctx, const struct shim_call *call);

/* `characteristics`: what the device claims (SQLITE_IOCAP_...); negative: as the VFS beneath. Once a process, before any database is open. */
int shim_install(shim_hook *hook, void *ctx, int characteristics);

/* The hook is not asked while off. */
void shim_enable(bool on);
void shim_claim(int characteristics);

#endif
