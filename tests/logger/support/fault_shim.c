/* Preloaded, it lets one call of a program fail, once, from main() on. What the environment says:

   FAULT_CALL: which: open, read, write, pread, pwrite, fsync, truncate, mmap, poll, thread, memory,
   fcntl, flock, ioctl, stat, socket, epoll.

   FAULT_NTH: the how manyeth of these (1, 2, ...); 0 or none: no fault.

   FAULT_ERRNO: the error that it reports, as a number.

   FAULT_COUNT: a file that is told at the end how many calls there were.

   A short write or read is not made: it is no fault, and what is above must take it anyway. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

static const char *g_call = "", *g_count;
static long g_nth, g_errno;
static long g_seen; /* counted by many threads */
static int g_armed;

__attribute__((constructor)) static void arm(void) {
  const char* call = getenv("FAULT_CALL");
  const char* nth = getenv("FAULT_NTH");
  const char* error = getenv("FAULT_ERRNO");
  if (call) g_call = call;
  g_nth = nth ? atol(nth) : 0;
  g_errno = error ? atol(error) : EIO;
  g_count = getenv("FAULT_COUNT");
}

/* What runs before main() is the C library's and cannot be answered by anybody. */
static int (*g_main)(int, char**, char**);
static int armed_main(int count, char** words, char** settings) {
  g_armed = 1;
  return g_main(count, words, settings);
}
int __libc_start_main(int (*body)(int, char**, char**), int count, char** words,
                      void (*begin)(void), void (*end)(void), void (*unload)(void), void* stack) {
  int (*real)(int (*)(int, char**, char**), int, char**, void (*)(void), void (*)(void),
              void (*)(void), void*);
  *(void**)&real = dlsym(RTLD_NEXT, "__libc_start_main");
  g_main = body;
  return real(armed_main, count, words, begin, end, unload, stack);
}

__attribute__((destructor)) static void tell(void) {
  g_armed = 0;
  FILE* file = g_count ? fopen(g_count, "w") : NULL;
  if (!file) return;
  fprintf(file, "%ld\n", __atomic_load_n(&g_seen, __ATOMIC_SEQ_CST));
  fclose(file);
}

/* 1 when this call is the one that fails; errno is then set. */
static int fails(const char* call) {
  if (!g_armed || strcmp(call, g_call) != 0) return 0;
  if (__atomic_add_fetch(&g_seen, 1, __ATOMIC_SEQ_CST) != g_nth) return 0;
  errno = (int)g_errno;
  return 1;
}

#define REAL(name) \
  (name##_real ? name##_real : (*(void**)& name##_real = dlsym(RTLD_NEXT, #name), name##_real))
#define CALL(kind, fault, type, name, parameters, arguments) \
  type name parameters {                                     \
    static type(*name##_real) parameters;                    \
    if (fails(kind)) return fault;                           \
    return REAL(name) arguments;                             \
  }

static int mode_of(int flags, va_list rest) {
  return (flags & O_CREAT) || (flags & O_TMPFILE) == O_TMPFILE ? va_arg(rest, int) : 0;
}
#define OPEN(name)                                    \
  int name(const char* path, int flags, ...) {        \
    static int (*name##_real)(const char*, int, ...); \
    va_list rest;                                     \
    va_start(rest, flags);                            \
    const int mode = mode_of(flags, rest);            \
    va_end(rest);                                     \
    if (fails("open")) return -1;                     \
    return REAL(name)(path, flags, mode);             \
  }
OPEN(open)
OPEN(open64)

#define WITH_ARGUMENT(kind, name, request_type)        \
  int name(int fd, request_type request, ...) {        \
    static int (*name##_real)(int, request_type, ...); \
    va_list rest;                                      \
    va_start(rest, request);                           \
    void* argument = va_arg(rest, void*);              \
    va_end(rest);                                      \
    if (fails(kind)) return -1;                        \
    return REAL(name)(fd, request, argument);          \
  }
WITH_ARGUMENT("fcntl", fcntl, int)
WITH_ARGUMENT("fcntl", fcntl64, int)
WITH_ARGUMENT("ioctl", ioctl, unsigned long)

CALL("read", -1, ssize_t, read, (int fd, void* into, size_t size), (fd, into, size))
CALL("write", -1, ssize_t, write, (int fd, const void* from, size_t size), (fd, from, size))
CALL("pread", -1, ssize_t, pread64, (int fd, void* into, size_t size, off64_t at),
     (fd, into, size, at))
CALL("pwrite", -1, ssize_t, pwrite64, (int fd, const void* from, size_t size, off64_t at),
     (fd, from, size, at))
CALL("fsync", -1, int, fsync, (int fd), (fd))
CALL("fsync", -1, int, fdatasync, (int fd), (fd))
CALL("truncate", -1, int, ftruncate64, (int fd, off64_t size), (fd, size))
CALL("mmap", MAP_FAILED, void*, mmap64,
     (void* at, size_t size, int access, int flags, int fd, off64_t from),
     (at, size, access, flags, fd, from))
CALL("poll", -1, int, poll, (struct pollfd * watched, nfds_t count, int patience),
     (watched, count, patience))
CALL("flock", -1, int, flock, (int fd, int how), (fd, how))
CALL("stat", -1, int, stat64, (const char* path, struct stat64* into), (path, into))
CALL("stat", -1, int, fstat64, (int fd, struct stat64* into), (fd, into))
CALL("socket", -1, int, socket, (int domain, int type, int protocol), (domain, type, protocol))
CALL("socket", -1, int, bind, (int fd, const struct sockaddr* at, socklen_t size), (fd, at, size))
CALL("socket", -1, int, listen, (int fd, int backlog), (fd, backlog))
CALL("epoll", -1, int, epoll_create1, (int flags), (flags))
CALL("epoll", -1, int, epoll_ctl, (int on, int what, int fd, struct epoll_event* event),
     (on, what, fd, event))
CALL("epoll", -1, int, epoll_wait, (int on, struct epoll_event* events, int most, int patience),
     (on, events, most, patience))
CALL("thread", (int)g_errno, int, pthread_create,
     (pthread_t * thread, const pthread_attr_t* how, void* (*body)(void*), void* argument),
     (thread, how, body, argument))

void* __libc_malloc(size_t size);
void* __libc_calloc(size_t count, size_t size);
void* __libc_realloc(void* old, size_t size);
void* malloc(size_t size) { return fails("memory") ? NULL : __libc_malloc(size); }
void* calloc(size_t count, size_t size) {
  return fails("memory") ? NULL : __libc_calloc(count, size);
}
void* realloc(void* old, size_t size) { return fails("memory") ? NULL : __libc_realloc(old, size); }
