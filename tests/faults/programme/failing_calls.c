/* The call of a given number by which a library writes to the disk fails, once. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <sys/types.h>
#include <unistd.h>

static long countdown = -1;
static int code;

void arm(int number, int error) {
    countdown = number;
    code = error;
}

static int fails(void) {
    if (countdown > 0 && --countdown == 0) {
        errno = code;
        return 1;
    }
    return 0;
}

#define REAL(name, type) \
    static __typeof__(type) real; \
    if (!real) real = (__typeof__(type))dlsym(RTLD_NEXT, name)

size_t fwrite(const void *data, size_t size, size_t count, FILE *stream) {
    REAL("fwrite", size_t (*)(const void *, size_t, size_t, FILE *));
    return stream != stdout && stream != stderr && fails() ? 0 : real(data, size, count, stream);
}

ssize_t pwrite64(int file, const void *data, size_t size, off64_t offset) {
    REAL("pwrite64", ssize_t (*)(int, const void *, size_t, off64_t));
    return fails() ? -1 : real(file, data, size, offset);
}

ssize_t write(int file, const void *data, size_t size) {
    REAL("write", ssize_t (*)(int, const void *, size_t));
    return file > 2 && fails() ? -1 : real(file, data, size);
}

int ftruncate64(int file, off64_t size) {
    REAL("ftruncate64", int (*)(int, off64_t));
    return fails() ? -1 : real(file, size);
}

int fflush(FILE *stream) {
    REAL("fflush", int (*)(FILE *));
    return stream && stream != stdout && stream != stderr && fails() ? EOF : real(stream);
}

int fclose(FILE *stream) {
    REAL("fclose", int (*)(FILE *));
    int failed = fails();
    int closed = real(stream);
    return failed ? EOF : closed;
}
