/* Sets the calendar of whatever loads it ahead by AHEAD_DAYS, and leaves alone the monotonic clock, by which waits are counted.
   cc -shared -fPIC -o /tmp/ahead.so tests/support/ahead.c -ldl */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>

static time_t ahead(void)
{
    const char *days = getenv("AHEAD_DAYS");
    return days ? 86400L * atol(days) : 0;
}

int clock_gettime(clockid_t clock, struct timespec *now)
{
    static int (*real)(clockid_t, struct timespec *);
    if (!real)
        real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int failed = real(clock, now);
    if (!failed && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        now->tv_sec += ahead();
    return failed;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone)
{
    struct timespec exact;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &exact))
        return -1;
    now->tv_sec = exact.tv_sec;
    now->tv_usec = exact.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *result)
{
    struct timespec exact;
    if (clock_gettime(CLOCK_REALTIME, &exact))
        return -1;
    if (result)
        *result = exact.tv_sec;
    return exact.tv_sec;
}
