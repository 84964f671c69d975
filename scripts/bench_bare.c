/* The bare loop that scripts/bench sets ackproof against: direct writes from one thread a lane, and nothing else.
 *
 *   bench_bare write PATH LANES BLOCK_BYTES SPAN_BYTES SECONDS   random writes; slot i belongs to lane i mod LANES
 *   bench_bare sweep PATH LANES BLOCK_BYTES SPAN_BYTES SECONDS   the same, each lane's slots in order
 *   bench_bare read  PATH BLOCK_BYTES SPAN_BYTES                 one sequential pass of direct reads
 *
 * PATH must exist and hold the whole span. Prints one line of JSON: operations, bytes, seconds.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>
#include <linux/fs.h>

#define LANES_MAX 1024
#define ALIGNMENT_BYTES 4096
#define SECONDS_MAX 600

struct lane {
    pthread_t thread;
    uint64_t index;
    uint64_t operations;
    uint64_t state;
    void *buffer;
};

static struct lane lanes[LANES_MAX];
static uint64_t lane_count, block_bytes, slot_count;
static int volume, in_order;
static atomic_int stop;
static pthread_barrier_t ready;

static void die(const char *what, const char *subject)
{
    fprintf(stderr, "bench_bare: cannot %s %s: %s\n", what, subject, strerror(errno));
    exit(4);
}

static void misuse(const char *sentence)
{
    fprintf(stderr, "bench_bare: %s\n", sentence);
    exit(2);
}

static uint64_t number(const char *text, uint64_t largest)
{
    char *end;
    errno = 0;
    unsigned long long value = strtoull(text, &end, 10);
    if (errno || *text < '0' || *text > '9' || *end || value < 1 || value > largest) {
        fprintf(stderr, "bench_bare: \"%s\" is not a whole number from 1 to %llu\n", text, (unsigned long long)largest);
        exit(2);
    }
    return value;
}

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static void fill_at_random(void *buffer, size_t length)
{
    for (size_t done = 0; done < length;) {
        ssize_t got = getrandom((char *)buffer + done, length - done, 0);
        if (got < 0)
            die("make", "random bytes");
        done += (size_t)got;
    }
}

static void open_volume(const char *path, int flags, uint64_t span_bytes)
{
    struct stat found;
    uint64_t size_bytes;
    volume = open(path, flags | O_DIRECT | O_CLOEXEC);
    if (volume < 0)
        die("open", path);
    if (fstat(volume, &found))
        die("look at", path);
    size_bytes = (uint64_t)found.st_size;
    if (S_ISBLK(found.st_mode) && ioctl(volume, BLKGETSIZE64, &size_bytes))
        die("size", path);
    if (size_bytes < span_bytes)
        misuse("the file is smaller than the span");
}

static void *work(void *argument)
{
    struct lane *lane = argument;
    uint64_t own_slots = (slot_count - lane->index + lane_count - 1) / lane_count, next = 0;
    pthread_barrier_wait(&ready);
    while (!atomic_load_explicit(&stop, memory_order_relaxed)) {
        uint64_t chosen;
        if (in_order) {
            chosen = next;
            next = next + 1 == own_slots ? 0 : next + 1;
        } else { /* xorshift64 */
            lane->state ^= lane->state << 13;
            lane->state ^= lane->state >> 7;
            lane->state ^= lane->state << 17;
            chosen = lane->state % own_slots;
        }
        off_t offset = (off_t)((chosen * lane_count + lane->index) * block_bytes);
        ssize_t written = pwrite(volume, lane->buffer, block_bytes, offset);
        if (written != (ssize_t)block_bytes) {
            if (written >= 0)
                errno = EIO;
            die("write", "a whole block");
        }
        lane->operations++;
    }
    return NULL;
}

static void report(uint64_t operations, double seconds)
{
    printf("{\"operations\": %llu, \"bytes\": %llu, \"seconds\": %.6f}\n", (unsigned long long)operations,
           (unsigned long long)(operations * block_bytes), seconds);
}

static void run_writes(uint64_t seconds)
{
    uint64_t operations = 0;
    pthread_barrier_init(&ready, NULL, (unsigned)lane_count + 1);
    for (uint64_t i = 0; i < lane_count; i++) {
        struct lane *lane = &lanes[i];
        lane->index = i;
        lane->state = 0x9E3779B97F4A7C15u * (i + 1);
        if (posix_memalign(&lane->buffer, ALIGNMENT_BYTES, block_bytes))
            misuse("not enough memory for the buffers");
        fill_at_random(lane->buffer, block_bytes);
        if ((errno = pthread_create(&lane->thread, NULL, work, lane)))
            die("start", "a thread");
    }
    pthread_barrier_wait(&ready);
    double started_s = now_s();
    struct timespec pause = {.tv_sec = (time_t)seconds};
    while (nanosleep(&pause, &pause) && errno == EINTR)
        ;
    atomic_store(&stop, 1);
    for (uint64_t i = 0; i < lane_count; i++) {
        pthread_join(lanes[i].thread, NULL);
        operations += lanes[i].operations;
    }
    report(operations, now_s() - started_s);
}

static void run_reads(void)
{
    void *buffer;
    if (posix_memalign(&buffer, ALIGNMENT_BYTES, block_bytes))
        misuse("not enough memory for the buffer");
    double started_s = now_s();
    for (uint64_t slot = 0; slot < slot_count; slot++) {
        ssize_t got = pread(volume, buffer, block_bytes, (off_t)(slot * block_bytes));
        if (got != (ssize_t)block_bytes) {
            if (got >= 0)
                errno = EIO;
            die("read", "a whole block");
        }
    }
    report(slot_count, now_s() - started_s);
}

int main(int count, char **arguments)
{
    const uint64_t block_max = 64u << 20, span_max = (uint64_t)1 << 50;
    int reads = count == 5 && !strcmp(arguments[1], "read");
    in_order = count == 7 && !strcmp(arguments[1], "sweep");
    if (!reads && !in_order && !(count == 7 && !strcmp(arguments[1], "write")))
        misuse("say write|sweep PATH LANES BLOCK_BYTES SPAN_BYTES SECONDS, or read PATH BLOCK_BYTES SPAN_BYTES");

    char **sizes = arguments + (reads ? 3 : 4);
    block_bytes = number(sizes[0], block_max);
    uint64_t span_bytes = number(sizes[1], span_max);
    slot_count = span_bytes / block_bytes;
    lane_count = reads ? 1 : number(arguments[3], LANES_MAX);
    if (slot_count < lane_count || span_bytes % block_bytes || block_bytes % 512)
        misuse("the span must be whole blocks of whole sectors, one at least for every lane");

    open_volume(arguments[2], reads ? O_RDONLY : O_RDWR, span_bytes);
    if (reads)
        run_reads();
    else
        run_writes(number(arguments[6], SECONDS_MAX));
    return 0;
}
