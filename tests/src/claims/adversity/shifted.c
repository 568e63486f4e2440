/* Shifts the wall clock for one program: loaded before its libraries, it adds to CLOCK_REALTIME what the file named by
   SHIFTED_BY holds, in whole seconds. Every other clock is as it is. */

#define _GNU_SOURCE
#include <stdio.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static long shift(void)
{
    const char *path = getenv("SHIFTED_BY");
    FILE *file = path ? fopen(path, "r") : NULL;
    long seconds = 0;
    if (file) {
        if (fscanf(file, "%ld", &seconds) != 1)
            seconds = 0;
        fclose(file);
    }
    return seconds;
}

int clock_gettime(clockid_t clock, struct timespec *time)
{
    int failed = (int)syscall(SYS_clock_gettime, clock, time);
    if (failed == 0 && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        time->tv_sec += shift();
    return failed;
}
