/* Loaded before libc: every clock of the day is off by CLOCK_OFF seconds, and every third reading jumps a day back. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>

static long off(void) {
    static int readings;
    const char *set = getenv("CLOCK_OFF");
    return (set ? atol(set) : 0) - (__sync_fetch_and_add(&readings, 1) % 3 ? 0 : 86400);
}

int clock_gettime(clockid_t clock, struct timespec *found) {
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int status = real(clock, found);
    if (!status && clock == CLOCK_REALTIME) found->tv_sec += off();
    return status;
}

int gettimeofday(struct timeval *restrict found, void *restrict zone) {
    static int (*real)(struct timeval *, void *);
    if (!real) real = (int (*)(struct timeval *, void *))dlsym(RTLD_NEXT, "gettimeofday");
    int status = real(found, zone);
    if (!status) found->tv_sec += off();
    return status;
}

time_t time(time_t *found) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (found) *found = now.tv_sec;
    return now.tv_sec;
}
