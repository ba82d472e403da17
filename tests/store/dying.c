/* Preloaded into a process: once `dying_arm` was called, it is killed at its nth call that changes a file whose path
   begins so, whoever makes the call. Of a write a part is done before: what a kill, or the power, may leave of it. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static long at, part, count;
static char prefix[4096];

void dying_arm(const char *path, long nth, long bytes) {
    strncpy(prefix, path, sizeof prefix - 1);
    part = bytes;
    count = 0;
    at = nth;
}

long dying_count(void) { return count; }

static int is_next(const char *path) {
    return at && !strncmp(path, prefix, strlen(prefix)) && __atomic_add_fetch(&count, 1, __ATOMIC_SEQ_CST) == at;
}

static int is_next_fd(int fd) {
    char link[64], path[4096];
    if (!at) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return is_next(path);
}

static void die(void) {
    kill(getpid(), SIGKILL);
    for (;;) pause();
}

static size_t least(size_t size) { return (size_t)part < size ? (size_t)part : size; }

ssize_t pwrite64(int fd, const void *data, size_t size, off64_t where) {
    ssize_t (*real)(int, const void *, size_t, off64_t) = dlsym(RTLD_NEXT, "pwrite64");
    if (is_next_fd(fd)) {
        real(fd, data, least(size), where);
        die();
    }
    return real(fd, data, size, where);
}

ssize_t pwrite(int fd, const void *data, size_t size, off_t where) { return pwrite64(fd, data, size, where); }

ssize_t write(int fd, const void *data, size_t size) {
    ssize_t (*real)(int, const void *, size_t) = dlsym(RTLD_NEXT, "write");
    if (is_next_fd(fd)) {
        real(fd, data, least(size));
        die();
    }
    return real(fd, data, size);
}

int ftruncate64(int fd, off64_t size) {
    int (*real)(int, off64_t) = dlsym(RTLD_NEXT, "ftruncate64");
    if (is_next_fd(fd)) die();
    return real(fd, size);
}

int ftruncate(int fd, off_t size) { return ftruncate64(fd, size); }

int link(const char *from, const char *to) {
    int (*real)(const char *, const char *) = dlsym(RTLD_NEXT, "link");
    if (is_next(to)) die();
    return real(from, to);
}

int rename(const char *from, const char *to) {
    int (*real)(const char *, const char *) = dlsym(RTLD_NEXT, "rename");
    if (is_next(to)) die();
    return real(from, to);
}

#define BY_DESCRIPTOR(name)                             \
    int name(int fd) {                                  \
        int (*real)(int) = dlsym(RTLD_NEXT, #name);     \
        if (is_next_fd(fd)) die();                      \
        return real(fd);                                \
    }

#define BY_PATH(name)                                       \
    int name(const char *path) {                            \
        int (*real)(const char *) = dlsym(RTLD_NEXT, #name); \
        if (is_next(path)) die();                           \
        return real(path);                                  \
    }

BY_DESCRIPTOR(fsync)
BY_DESCRIPTOR(fdatasync)
BY_PATH(unlink)
BY_PATH(remove)
