/* Preloaded into a process: its clock on the wall is off by as many seconds as the file named in MOVED_CLOCK holds (a
   signed number of 8 bytes, read at each look: so it can be set while the process runs). The steady clock goes on. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <semaphore.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static volatile int64_t *offset;
static int (*real_gettime)(clockid_t, struct timespec *);

__attribute__((constructor)) static void begin(void) {
    real_gettime = dlsym(RTLD_NEXT, "clock_gettime");
    const char *path = getenv("MOVED_CLOCK");
    int fd = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    if (fd < 0) return;
    void *found = mmap(NULL, 8, PROT_READ, MAP_SHARED, fd, 0);
    close(fd);
    if (found != MAP_FAILED) offset = found;
}

static int64_t off(void) { return offset ? *offset : 0; }

int clock_gettime(clockid_t clock, struct timespec *out) {
    if (!real_gettime) real_gettime = dlsym(RTLD_NEXT, "clock_gettime");
    int done = real_gettime(clock, out);
    if (!done && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) out->tv_sec += off();
    return done;
}

int gettimeofday(struct timeval *restrict out, void *restrict zone) {
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    out->tv_sec = now.tv_sec;
    out->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *out) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (out) *out = now.tv_sec;
    return now.tv_sec;
}

/* A wait until a moment of the moved clock, in the kernel's own time. The C library does not say by which clock a
   condition waits: it is the one to which the moment is nearer. */
static struct timespec there(const struct timespec *until) {
    struct timespec wall, steady, moved = *until;
    clock_gettime(CLOCK_REALTIME, &wall);
    real_gettime(CLOCK_MONOTONIC, &steady);
    if (llabs((long long)until->tv_sec - wall.tv_sec) <= llabs((long long)until->tv_sec - steady.tv_sec))
        moved.tv_sec -= off();
    return moved;
}

int pthread_cond_timedwait(pthread_cond_t *restrict cond, pthread_mutex_t *restrict mutex,
                           const struct timespec *restrict until) {
    static int (*real)(pthread_cond_t *, pthread_mutex_t *, const struct timespec *);
    /* The newest version: the plain symbol may be one for programs of the last century. */
    if (!real) real = dlvsym(RTLD_NEXT, "pthread_cond_timedwait", "GLIBC_2.3.2");
    if (!real) real = dlsym(RTLD_NEXT, "pthread_cond_timedwait");
    struct timespec moved = there(until);
    return real(cond, mutex, &moved);
}

int sem_timedwait(sem_t *restrict sem, const struct timespec *restrict until) {
    static int (*real)(sem_t *, const struct timespec *);
    if (!real) real = dlsym(RTLD_NEXT, "sem_timedwait");
    struct timespec moved = there(until);
    return real(sem, &moved);
}
