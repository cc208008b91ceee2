#include "export/clips_file.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static void join(char path[CLIPS_PATH_SIZE], const char *folder, const char *file)
{
    snprintf(path, CLIPS_PATH_SIZE, "%s/%s", folder, file);
}

static int make_one(const char *path, char *why)
{
    struct stat found;
    if (mkdir(path, 0777) == 0 || (errno == EEXIST && stat(path, &found) == 0 && S_ISDIR(found.st_mode)))
        return 0;
    snprintf(why, CLIPS_WHY_SIZE, "%.500s cannot be made: %s", path,
             errno == EEXIST ? "a file of that name is there" : strerror(errno));
    return -1;
}

static void empty_part(const char *folder)
{
    char part[CLIPS_PATH_SIZE], path[CLIPS_PATH_SIZE];
    join(part, folder, ".part");
    DIR *open = opendir(part);
    if (open == NULL)
        return;
    /* cppcheck-suppress readdirCalled ; one thread reads this folder, and readdir_r is deprecated */
    for (struct dirent *entry = readdir(open); entry != NULL; entry = readdir(open)) {
        join(path, part, entry->d_name);
        unlink(path); /* "." and ".." refuse */
    }
    closedir(open);
}

int clips_folder_make(const char *folder, char why[CLIPS_WHY_SIZE])
{
    static const char *const parts[] = {"clips", "stills", "small", "videos", ".part"};
    char path[CLIPS_PATH_SIZE];
    if (strlen(folder) > 1000) {
        snprintf(why, CLIPS_WHY_SIZE, "the folder's name is too long");
        return -1;
    }
    if (make_one(folder, why) != 0)
        return -1;
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        join(path, folder, parts[i]);
        if (make_one(path, why) != 0)
            return -1;
    }
    empty_part(folder);
    return 0;
}

void clips_folder_done(const char *folder)
{
    char path[CLIPS_PATH_SIZE];
    empty_part(folder);
    join(path, folder, ".part");
    rmdir(path);
}

void clips_file_part(const char *folder, const char *file, char path[CLIPS_PATH_SIZE])
{
    const char *slash = strrchr(file, '/');
    snprintf(path, CLIPS_PATH_SIZE, "%s/.part/%ld-%s", folder, (long)getpid(),
             slash != NULL ? slash + 1 : file);
}

int clips_file_keep(const char *folder, const char *file, char why[CLIPS_WHY_SIZE])
{
    char part[CLIPS_PATH_SIZE], path[CLIPS_PATH_SIZE];
    clips_file_part(folder, file, part);
    join(path, folder, file);
    int fd = open(part, O_RDONLY | O_CLOEXEC);
    bool fine = fd >= 0 && fsync(fd) == 0;
    if (fd >= 0)
        fine = close(fd) == 0 && fine;
    if (fine && rename(part, path) == 0)
        return 0;
    snprintf(why, CLIPS_WHY_SIZE, "%.500s: %s", path, strerror(errno));
    unlink(part);
    return -1;
}

int clips_file_make(const char *folder, const char *file, clips_file_write *write, void *ctx,
                    char why[CLIPS_WHY_SIZE])
{
    char part[CLIPS_PATH_SIZE];
    clips_file_part(folder, file, part);
    FILE *out = fopen(part, "wb");
    if (out == NULL) {
        snprintf(why, CLIPS_WHY_SIZE, "%.500s: %s", part, strerror(errno));
        return -1;
    }
    write(ctx, out);
    bool fine = ferror(out) == 0;
    fine = fclose(out) == 0 && fine;
    if (fine)
        return clips_file_keep(folder, file, why);
    snprintf(why, CLIPS_WHY_SIZE, "%.500s: %s", part, strerror(errno));
    unlink(part);
    return -1;
}
