#include "store/opened.h"

#include <pthread.h>
#include <stdlib.h>
#include <sys/stat.h>

struct opened {
    struct opened *next;
    sqlite3 *db;
    dev_t device;
    ino_t file;
};

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static struct opened *first;

bool opened_add(sqlite3 *db, const char *path)
{
    struct stat status;
    struct opened *opened = malloc(sizeof *opened);
    if (opened == NULL || stat(path, &status) != 0) {
        free(opened);
        return false;
    }
    *opened = (struct opened){.db = db, .device = status.st_dev, .file = status.st_ino};
    pthread_mutex_lock(&lock);
    opened->next = first;
    first = opened;
    pthread_mutex_unlock(&lock);
    return true;
}

void opened_drop(sqlite3 *db)
{
    struct opened *found = NULL;
    pthread_mutex_lock(&lock);
    for (struct opened **at = &first; *at != NULL && found == NULL; at = &(*at)->next) {
        if ((*at)->db != db)
            continue;
        found = *at;
        *at = found->next;
        break;
    }
    pthread_mutex_unlock(&lock);
    free(found);
}

bool opened_has(const char *path)
{
    struct stat status;
    bool found = false;
    if (stat(path, &status) != 0)
        return false;
    pthread_mutex_lock(&lock);
    for (const struct opened *at = first; at != NULL && !found; at = at->next)
        found = at->device == status.st_dev && at->file == status.st_ino;
    pthread_mutex_unlock(&lock);
    return found;
}
