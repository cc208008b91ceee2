#include "shim.h"

#include <stdatomic.h>
#include <stddef.h>

struct shim_file {
    sqlite3_file base;
    sqlite3_file *real;
    const char *path; /* SQLite keeps it as long as the file is open */
};

static sqlite3_vfs *beneath;
static sqlite3_io_methods methods;
static sqlite3_io_methods methods_without_memory; /* for files whose own methods are of version 1 */
static shim_hook *the_hook;
static void *the_ctx;
static int claimed;
static atomic_bool enabled;

const char *shim_op_name(enum shim_op op)
{
    static const char *const names[SHIM_OPS] = {"open",  "close",    "delete", "read",
                                                "write", "truncate", "sync",   "size"};
    return names[op];
}

static struct shim_file *mine(sqlite3_file *file)
{
    return (struct shim_file *)file;
}

static sqlite3_file *real_of(sqlite3_file *file)
{
    return mine(file)->real;
}

static int ask(const struct shim_call *call)
{
    return atomic_load(&enabled) && the_hook != NULL ? the_hook(the_ctx, call) : SQLITE_OK;
}

static int ask_file(sqlite3_file *file, enum shim_op op, const void *bytes, int len, sqlite3_int64 at)
{
    struct shim_call call = {
        .op = op, .path = mine(file)->path, .real = real_of(file), .bytes = bytes, .len = len, .at = at};
    return ask(&call);
}

/* What the hook decides without the call itself being made. */
#define ASK(...)                                                                                             \
    do {                                                                                                     \
        int decided = ask_file(__VA_ARGS__);                                                                 \
        if (decided != SQLITE_OK)                                                                            \
            return decided == SHIM_SWALLOW ? SQLITE_OK : decided;                                            \
    } while (0)

static int shim_read(sqlite3_file *file, void *bytes, int len, sqlite3_int64 at)
{
    ASK(file, SHIM_READ, NULL, len, at);
    return real_of(file)->pMethods->xRead(real_of(file), bytes, len, at);
}

static int shim_write(sqlite3_file *file, const void *bytes, int len, sqlite3_int64 at)
{
    ASK(file, SHIM_WRITE, bytes, len, at);
    return real_of(file)->pMethods->xWrite(real_of(file), bytes, len, at);
}

static int shim_truncate(sqlite3_file *file, sqlite3_int64 size)
{
    ASK(file, SHIM_TRUNCATE, NULL, 0, size);
    return real_of(file)->pMethods->xTruncate(real_of(file), size);
}

static int shim_sync(sqlite3_file *file, int flags)
{
    ASK(file, SHIM_SYNC, NULL, 0, 0);
    return real_of(file)->pMethods->xSync(real_of(file), flags);
}

static int shim_size(sqlite3_file *file, sqlite3_int64 *size)
{
    ASK(file, SHIM_SIZE, NULL, 0, 0);
    return real_of(file)->pMethods->xFileSize(real_of(file), size);
}

static int shim_close(sqlite3_file *file)
{
    (void)ask_file(file, SHIM_CLOSE, NULL, 0, 0);
    int rc = real_of(file)->pMethods->xClose(real_of(file));
    sqlite3_free(real_of(file));
    return rc;
}

#define PASS(name, params, args)                                                                             \
    static int pass_##name params                                                                            \
    {                                                                                                        \
        return real_of(file)->pMethods->x##name args;                                                        \
    }
PASS(Lock, (sqlite3_file * file, int level), (real_of(file), level))
PASS(Unlock, (sqlite3_file * file, int level), (real_of(file), level))
PASS(CheckReservedLock, (sqlite3_file * file, int *out), (real_of(file), out))
PASS(FileControl, (sqlite3_file * file, int op, void *arg), (real_of(file), op, arg))
PASS(ShmMap, (sqlite3_file * file, int page, int size, int extend, void volatile **out),
     (real_of(file), page, size, extend, out))
PASS(ShmLock, (sqlite3_file * file, int at, int n, int flags), (real_of(file), at, n, flags))
PASS(ShmUnmap, (sqlite3_file * file, int remove), (real_of(file), remove))

static void pass_ShmBarrier(sqlite3_file *file)
{
    real_of(file)->pMethods->xShmBarrier(real_of(file));
}

static int shim_sector(sqlite3_file *file)
{
    return claimed >= 0 ? 512 : real_of(file)->pMethods->xSectorSize(real_of(file));
}

static int shim_characteristics(sqlite3_file *file)
{
    return claimed >= 0 ? claimed : real_of(file)->pMethods->xDeviceCharacteristics(real_of(file));
}

static int shim_open(sqlite3_vfs *vfs, const char *name, sqlite3_file *file, int flags, int *out_flags)
{
    struct shim_call call = {.op = SHIM_OPEN, .path = name, .flags = flags};
    (void)vfs;
    file->pMethods = NULL;
    int rc = ask(&call);
    if (rc != SQLITE_OK && rc != SHIM_SWALLOW)
        return rc;
    mine(file)->path = name;
    mine(file)->real = sqlite3_malloc(beneath->szOsFile);
    if (mine(file)->real == NULL)
        return SQLITE_NOMEM;
    rc = beneath->xOpen(beneath, name, mine(file)->real, flags, out_flags);
    if (rc != SQLITE_OK) {
        sqlite3_free(mine(file)->real);
        return rc;
    }
    file->pMethods = mine(file)->real->pMethods->iVersion >= 2 ? &methods : &methods_without_memory;
    return SQLITE_OK;
}

static int shim_delete(sqlite3_vfs *vfs, const char *name, int sync_folder)
{
    struct shim_call call = {.op = SHIM_DELETE, .path = name};
    (void)vfs;
    int rc = ask(&call);
    if (rc != SQLITE_OK)
        return rc == SHIM_SWALLOW ? SQLITE_OK : rc;
    return beneath->xDelete(beneath, name, sync_folder);
}

static void make_methods(void)
{
    methods = (sqlite3_io_methods){
        .iVersion = 2,
        .xClose = shim_close,
        .xRead = shim_read,
        .xWrite = shim_write,
        .xTruncate = shim_truncate,
        .xSync = shim_sync,
        .xFileSize = shim_size,
        .xLock = pass_Lock,
        .xUnlock = pass_Unlock,
        .xCheckReservedLock = pass_CheckReservedLock,
        .xFileControl = pass_FileControl,
        .xSectorSize = shim_sector,
        .xDeviceCharacteristics = shim_characteristics,
        .xShmMap = pass_ShmMap,
        .xShmLock = pass_ShmLock,
        .xShmBarrier = pass_ShmBarrier,
        .xShmUnmap = pass_ShmUnmap,
    };
    methods_without_memory = methods;
    methods_without_memory.iVersion = 1;
}

int shim_install(shim_hook *hook, void *ctx, int characteristics)
{
    static sqlite3_vfs vfs;
    beneath = sqlite3_vfs_find(NULL);
    if (beneath == NULL)
        return SQLITE_ERROR;
    the_hook = hook;
    the_ctx = ctx;
    claimed = characteristics;
    atomic_store(&enabled, true);
    make_methods();
    vfs = *beneath;
    vfs.zName = "shim";
    vfs.pNext = NULL;
    vfs.szOsFile = sizeof(struct shim_file);
    vfs.xOpen = shim_open;
    vfs.xDelete = shim_delete;
    return sqlite3_vfs_register(&vfs, 1);
}

void shim_enable(bool on)
{
    atomic_store(&enabled, on);
}

void shim_claim(int characteristics)
{
    claimed = characteristics;
}
