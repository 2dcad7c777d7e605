/* Puts the clock of the day forward or back, by the seconds written in the file FAULTS_CLOCK, for
 * the processes this is preloaded into (LD_PRELOAD). Clocks that cannot be set go on as they are. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long shift_s(void) {
    const char *path = getenv("FAULTS_CLOCK");
    char text[32];
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    if (file < 0) return 0;
    ssize_t size = read(file, text, sizeof text - 1);
    close(file);
    if (size <= 0) return 0;
    text[size] = 0;
    return atol(text);
}

int clock_gettime(clockid_t clock, struct timespec *at) {
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int failed = real(clock, at);
    if (!failed && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        at->tv_sec += shift_s();
    return failed;
}

int gettimeofday(struct timeval *at, void *zone) {
    struct timespec now;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &now)) return -1;
    at->tv_sec = now.tv_sec;
    at->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *at) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (at) *at = now.tv_sec;
    return now.tv_sec;
}
