/* Moves a process's wall clock by CLOCK_SHIFT_NS, as on a machine whose clock is wrong.
 *
 * Readings are moved; absolute waits on the wall clock are moved back, so that nothing waits longer or
 * shorter than it should.  Preloaded into a peer.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <pthread.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>

static long long shift(void)
{
    static long long ns;
    static int known;
    if (!known) {
        const char *text = getenv("CLOCK_SHIFT_NS");
        ns = text ? atoll(text) : 0;
        known = 1;
    }
    return ns;
}

static void move(struct timespec *t, long long by)
{
    long long ns = (long long)t->tv_sec * 1000000000LL + t->tv_nsec + by;
    t->tv_sec = ns / 1000000000LL;
    t->tv_nsec = ns % 1000000000LL;
}

int clock_gettime(clockid_t id, struct timespec *t)
{
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int said = real(id, t);
    if (said == 0 && (id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE)) move(t, shift());
    return said;
}

int gettimeofday(struct timeval *t, void *zone)
{
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    t->tv_sec = now.tv_sec;
    t->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *t)
{
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (t) *t = now.tv_sec;
    return now.tv_sec;
}

int pthread_mutex_timedlock(pthread_mutex_t *m, const struct timespec *until)
{
    static int (*real)(pthread_mutex_t *, const struct timespec *);
    if (!real) real = (int (*)(pthread_mutex_t *, const struct timespec *))dlsym(RTLD_NEXT, "pthread_mutex_timedlock");
    struct timespec back = *until;
    move(&back, -shift());
    return real(m, &back);
}

int pthread_cond_clockwait(pthread_cond_t *c, pthread_mutex_t *m, clockid_t id, const struct timespec *until)
{
    static int (*real)(pthread_cond_t *, pthread_mutex_t *, clockid_t, const struct timespec *);
    if (!real)
        real = (int (*)(pthread_cond_t *, pthread_mutex_t *, clockid_t, const struct timespec *))dlsym(
            RTLD_NEXT, "pthread_cond_clockwait");
    struct timespec back = *until;
    if (id == CLOCK_REALTIME) move(&back, -shift());
    return real(c, m, id, &back);
}
