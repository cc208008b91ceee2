#include "cut.h"

#include "campaign.h"

#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { SECTOR = 512, FILES = 8, PATH_SIZE = 256 };

/* A sector written since the last sync: as it was then, and which bytes were written. */
struct image {
    int64_t sector;
    unsigned char was[SECTOR];
    int from, to;
};

struct tracked {
    char path[PATH_SIZE]; /* "": free */
    int64_t synced_size;
    bool dirty;
    struct image *image;
    size_t images, image_room;
    int32_t *slot; /* by sector: index of its image + 1 */
    size_t slots;
};

static struct {
    pthread_mutex_t lock;
    struct cut_plan plan;
    int characteristics;
    long calls;
    struct tracked file[FILES];
} cut = {.lock = PTHREAD_MUTEX_INITIALIZER};

static struct tracked *find(const char *path)
{
    struct tracked *unused = NULL;
    for (int i = 0; i < FILES; i++) {
        if (strcmp(cut.file[i].path, path) == 0)
            return &cut.file[i];
        if (unused == NULL && cut.file[i].path[0] == '\0')
            unused = &cut.file[i];
    }
    if (unused == NULL || strlen(path) >= PATH_SIZE)
        abort();
    struct stat status;
    snprintf(unused->path, sizeof unused->path, "%s", path);
    unused->synced_size = stat(path, &status) == 0 ? status.st_size : 0;
    return unused;
}

static void forget(struct tracked *file)
{
    for (size_t i = 0; i < file->images; i++)
        file->slot[file->image[i].sector] = 0;
    file->images = 0;
    file->dirty = false;
}

static int64_t size_of(sqlite3_file *real)
{
    sqlite3_int64 size = 0;
    return real->pMethods->xFileSize(real, &size) == SQLITE_OK ? size : 0;
}

static struct image *new_image(struct tracked *file, sqlite3_file *real, int64_t sector)
{
    if ((size_t)sector >= file->slots) {
        size_t slots = (size_t)sector * 2 + 64;
        file->slot = realloc(file->slot, slots * sizeof *file->slot);
        if (file->slot == NULL)
            abort();
        memset(file->slot + file->slots, 0, (slots - file->slots) * sizeof *file->slot);
        file->slots = slots;
    }
    if (file->slot[sector] != 0)
        return &file->image[file->slot[sector] - 1];
    if (file->images == file->image_room) {
        file->image_room = file->image_room == 0 ? 64 : 2 * file->image_room;
        file->image = realloc(file->image, file->image_room * sizeof *file->image);
        if (file->image == NULL)
            abort();
    }
    struct image *image = &file->image[file->images++];
    memset(image, 0, sizeof *image);
    image->sector = sector;
    image->from = SECTOR;
    if (sector * SECTOR < size_of(real))
        (void)real->pMethods->xRead(real, image->was, SECTOR,
                                    sector * SECTOR); /* a short read fills up with zeros */
    file->slot[sector] = (int32_t)file->images;
    return image;
}

static void note_write(struct tracked *file, sqlite3_file *real, int64_t at, int64_t len)
{
    for (int64_t sector = at / SECTOR; sector * SECTOR < at + len; sector++) {
        struct image *image = new_image(file, real, sector);
        int64_t from = at > sector * SECTOR ? at - sector * SECTOR : 0;
        int64_t to = at + len - sector * SECTOR;
        image->from = from < image->from ? (int)from : image->from;
        image->to = to > SECTOR ? SECTOR : to > image->to ? (int)to : image->to;
    }
    file->dirty = true;
}

/* What a shorter file loses may come back. */
static void note_truncate(struct tracked *file, sqlite3_file *real, int64_t to)
{
    for (int64_t sector = to / SECTOR; sector * SECTOR < size_of(real); sector++)
        (void)new_image(file, real, sector);
    file->dirty = true;
}

/* ---- the cut ---- */

static void spoil(int fd, const struct image *image)
{
    unsigned char noise[SECTOR];
    int from = cut.characteristics & SQLITE_IOCAP_POWERSAFE_OVERWRITE ? image->from : 0;
    int to = cut.characteristics & SQLITE_IOCAP_POWERSAFE_OVERWRITE ? image->to : SECTOR;
    for (int i = from; i < to; i++)
        noise[i] = (unsigned char)campaign_random(&cut.plan.seed);
    if (to > from)
        (void)!pwrite(fd, noise + from, (size_t)(to - from), image->sector * SECTOR + from);
}

static void put_back(int fd, const struct image *image)
{
    (void)!pwrite(fd, image->was, SECTOR, image->sector * SECTOR);
}

static int64_t random_size(const struct tracked *file, int64_t now)
{
    int64_t low = now < file->synced_size ? now : file->synced_size;
    int64_t high = now < file->synced_size ? file->synced_size : now;
    switch (campaign_range(&cut.plan.seed, 0, 3)) {
    case 0:
        return file->synced_size;
    case 1:
        return low + campaign_range(&cut.plan.seed, 0, (high - low) / SECTOR) * SECTOR;
    default:
        return now;
    }
}

static void cut_file(struct tracked *file)
{
    struct stat status;
    int fd = open(file->path, O_RDWR | O_CLOEXEC);
    if (fd < 0)
        return;
    int64_t size = fstat(fd, &status) == 0 ? status.st_size : 0;
    int64_t left = cut.plan.mode == CUT_DROP ? file->synced_size : random_size(file, size);
    for (size_t i = 0; i < file->images; i++) {
        int64_t what = cut.plan.mode == CUT_DROP ? 0 : campaign_range(&cut.plan.seed, 0, 2);
        if (what == 0)
            put_back(fd, &file->image[i]);
        else if (what == 1)
            spoil(fd, &file->image[i]);
    }
    (void)!ftruncate(fd, left);
    (void)close(fd);
}

static void cut_under_lock(void)
{
    for (int i = 0; i < FILES; i++) {
        if (cut.file[i].path[0] != '\0' && cut.file[i].dirty)
            cut_file(&cut.file[i]);
        char shm[PATH_SIZE + 8];
        snprintf(shm, sizeof shm, "%s-shm", cut.file[i].path);
        if (cut.file[i].path[0] != '\0')
            (void)unlink(shm);
    }
    _exit(CUT_EXIT);
}

void cut_now(void)
{
    pthread_mutex_lock(&cut.lock);
    cut_under_lock();
}

/* ---- the calls ---- */

static void begin_call(struct tracked *file, const struct shim_call *call)
{
    if (call->op == SHIM_WRITE)
        note_write(file, call->real, call->at, call->len);
    else if (call->op == SHIM_TRUNCATE)
        note_truncate(file, call->real, call->at);
}

/* In CUT_RANDOM the call at which power goes has begun. */
static void carry_out(const struct shim_call *call)
{
    if (call->op == SHIM_WRITE)
        (void)call->real->pMethods->xWrite(call->real, call->bytes, call->len, call->at);
    else if (call->op == SHIM_TRUNCATE)
        (void)call->real->pMethods->xTruncate(call->real, call->at);
}

static int end_call(struct tracked *file, const struct shim_call *call)
{
    if (call->op == SHIM_DELETE) {
        forget(file);
        file->path[0] = '\0';
    }
    if (call->op != SHIM_SYNC)
        return SQLITE_OK;
    forget(file);
    file->synced_size = size_of(call->real);
    return SHIM_SWALLOW;
}

static int on_call(void *ctx, const struct shim_call *call)
{
    (void)ctx;
    if (call->path == NULL || call->op == SHIM_READ || call->op == SHIM_SIZE)
        return SQLITE_OK;
    pthread_mutex_lock(&cut.lock);
    struct tracked *file = find(call->path);
    cut.calls++;
    bool due = cut.calls == cut.plan.at;
    if (due && cut.plan.mode == CUT_DROP)
        cut_under_lock();
    begin_call(file, call);
    if (due) {
        carry_out(call);
        cut_under_lock();
    }
    int rc = end_call(file, call);
    pthread_mutex_unlock(&cut.lock);
    return rc;
}

int cut_install(const struct cut_plan *plan, int characteristics)
{
    cut.plan = *plan;
    cut.characteristics = characteristics < 0 ? SQLITE_IOCAP_POWERSAFE_OVERWRITE : characteristics;
    return shim_install(on_call, NULL, cut.characteristics);
}

long cut_calls(void)
{
    pthread_mutex_lock(&cut.lock);
    long calls = cut.calls;
    pthread_mutex_unlock(&cut.lock);
    return calls;
}
