/* The bare loops that scripts/bench sets ackproof against: direct I/O at random places, and nothing else.
 *
 *   bench_bare load threads PATH SECONDS READ_PERCENT STREAM...      one thread a lane, pwrite(2) and pread(2)
 *   bench_bare load RINGS   PATH SECONDS READ_PERCENT STREAM...      so many threads, each with an io_uring and its
 *                                                                    share of the lanes, one operation a lane
 *   bench_bare read PATH BLOCK_BYTES SPAN_BYTES                      one sequential pass of direct reads
 *   bench_bare rings                                                 whether there can be an io_uring here, 1 or 0
 *
 * STREAM is LANES:BLOCK_BYTES:SPAN_BYTES; streams stand one after the other on PATH, which must exist and hold them
 * all. Slot i of a stream belongs to lane i mod LANES. Prints one line of JSON; times are CLOCK_MONOTONIC nanoseconds.
 *
 * Source of layouts and flags of the ring: linux/io_uring.h of the kernel's headers; of its use: io_uring(7).
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
#include <sys/mman.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>
#include <linux/fs.h>
#if __has_include(<linux/io_uring.h>)
#include <linux/io_uring.h>
#endif

#define LANES_MAX 1024
#define RINGS_MAX 64
#define ALIGNMENT_BYTES 4096
#define SECONDS_MAX 600

struct lane {
    pthread_t thread;
    uint64_t index, lanes, block_bytes, start_bytes, own_slots;
    uint64_t writes, reads, state;
    void *buffer, *read_buffer;
    int is_read;
    off_t offset;
};

static struct lane lanes[LANES_MAX];
static uint64_t lane_count, ring_count, read_percent;
static int volume;
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

static uint64_t number(const char *text, uint64_t smallest, uint64_t largest)
{
    char *end;
    errno = 0;
    unsigned long long value = strtoull(text, &end, 10);
    if (errno || *text < '0' || *text > '9' || *end || value < smallest || value > largest) {
        fprintf(stderr, "bench_bare: \"%s\" is not a whole number from %llu to %llu\n", text,
                (unsigned long long)smallest, (unsigned long long)largest);
        exit(2);
    }
    return value;
}

static uint64_t now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
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
        misuse("the volume is smaller than the spans");
}

static uint64_t next_random(struct lane *lane) /* xorshift64 */
{
    lane->state ^= lane->state << 13;
    lane->state ^= lane->state >> 7;
    lane->state ^= lane->state << 17;
    return lane->state;
}

static void choose(struct lane *lane)
{
    uint64_t slot = next_random(lane) % lane->own_slots * lane->lanes + lane->index;
    lane->offset = (off_t)(lane->start_bytes + slot * lane->block_bytes);
    lane->is_read = read_percent && next_random(lane) % 100 < read_percent;
}

static void finish(struct lane *lane, ssize_t moved)
{
    if (moved != (ssize_t)lane->block_bytes) {
        errno = moved < 0 ? (int)-moved : EIO;
        die("move", "a whole block");
    }
    if (lane->is_read)
        lane->reads++;
    else
        lane->writes++;
}

static void *work_alone(void *argument)
{
    struct lane *lane = argument;
    pthread_barrier_wait(&ready);
    while (!atomic_load_explicit(&stop, memory_order_relaxed)) {
        choose(lane);
        ssize_t moved = lane->is_read ? pread(volume, lane->read_buffer, lane->block_bytes, lane->offset)
                                      : pwrite(volume, lane->buffer, lane->block_bytes, lane->offset);
        finish(lane, moved < 0 ? -errno : moved);
    }
    return NULL;
}

#ifdef IORING_SETUP_DEFER_TASKRUN
struct ring {
    int fd;
    uint32_t *sq_tail, *sq_mask, *sq_array, *cq_head, *cq_tail, *cq_mask;
    struct io_uring_sqe *sqes;
    struct io_uring_cqe *cqes;
};

static void open_ring(struct ring *ring, uint32_t entries)
{
    struct io_uring_params params = {.flags = IORING_SETUP_SINGLE_ISSUER | IORING_SETUP_DEFER_TASKRUN};
    ring->fd = (int)syscall(SYS_io_uring_setup, entries, &params);
    if (ring->fd < 0 && errno == EINVAL) {
        memset(&params, 0, sizeof params);
        ring->fd = (int)syscall(SYS_io_uring_setup, entries, &params);
    }
    if (ring->fd < 0)
        die("set up", "an io_uring");
    size_t sq_bytes = params.sq_off.array + params.sq_entries * sizeof(uint32_t);
    size_t cq_bytes = params.cq_off.cqes + params.cq_entries * sizeof(struct io_uring_cqe);
    int protection = PROT_READ | PROT_WRITE, flags = MAP_SHARED | MAP_POPULATE;
    char *sq = mmap(NULL, sq_bytes, protection, flags, ring->fd, IORING_OFF_SQ_RING);
    char *cq = mmap(NULL, cq_bytes, protection, flags, ring->fd, IORING_OFF_CQ_RING);
    ring->sqes = mmap(NULL, params.sq_entries * sizeof(struct io_uring_sqe), protection, flags, ring->fd,
                      IORING_OFF_SQES);
    if (sq == MAP_FAILED || cq == MAP_FAILED || ring->sqes == MAP_FAILED)
        die("map", "an io_uring");
    ring->sq_tail = (uint32_t *)(sq + params.sq_off.tail);
    ring->sq_mask = (uint32_t *)(sq + params.sq_off.ring_mask);
    ring->sq_array = (uint32_t *)(sq + params.sq_off.array);
    ring->cq_head = (uint32_t *)(cq + params.cq_off.head);
    ring->cq_tail = (uint32_t *)(cq + params.cq_off.tail);
    ring->cq_mask = (uint32_t *)(cq + params.cq_off.ring_mask);
    ring->cqes = (struct io_uring_cqe *)(cq + params.cq_off.cqes);
}

static void queue(struct ring *ring, uint32_t entry, struct lane *lane)
{
    struct io_uring_sqe *sqe = &ring->sqes[entry];
    uint32_t tail = *ring->sq_tail;
    choose(lane);
    memset(sqe, 0, sizeof *sqe);
    sqe->opcode = lane->is_read ? IORING_OP_READ : IORING_OP_WRITE;
    sqe->fd = volume;
    sqe->off = (uint64_t)lane->offset;
    sqe->addr = (uint64_t)(uintptr_t)(lane->is_read ? lane->read_buffer : lane->buffer);
    sqe->len = (uint32_t)lane->block_bytes;
    sqe->user_data = entry;
    ring->sq_array[tail & *ring->sq_mask] = entry;
    __atomic_store_n(ring->sq_tail, tail + 1, __ATOMIC_RELEASE);
}

static void *work_by_ring(void *argument)
{
    uint64_t first = *(uint64_t *)argument;
    uint32_t own = (uint32_t)((lane_count - first + ring_count - 1) / ring_count), queued = 0, outstanding = 0;
    struct ring ring;
    open_ring(&ring, own);
    pthread_barrier_wait(&ready);
    for (uint32_t i = 0; i < own; i++, queued++)
        queue(&ring, i, &lanes[first + i * ring_count]);
    while (queued || outstanding) {
        long taken = syscall(SYS_io_uring_enter, ring.fd, queued, 1, IORING_ENTER_GETEVENTS, NULL, 0);
        if (taken < 0 && errno != EINTR)
            die("use", "an io_uring");
        if (taken > 0) {
            queued -= (uint32_t)taken;
            outstanding += (uint32_t)taken;
        }
        uint32_t head = *ring.cq_head, tail = __atomic_load_n(ring.cq_tail, __ATOMIC_ACQUIRE);
        int stopping = atomic_load_explicit(&stop, memory_order_relaxed);
        for (; head != tail; head++, outstanding--) {
            struct io_uring_cqe *cqe = &ring.cqes[head & *ring.cq_mask];
            uint32_t entry = (uint32_t)cqe->user_data;
            struct lane *lane = &lanes[first + entry * ring_count];
            finish(lane, cqe->res);
            if (!stopping) {
                queue(&ring, entry, lane);
                queued++;
            }
        }
        __atomic_store_n(ring.cq_head, head, __ATOMIC_RELEASE);
    }
    return NULL;
}

static int rings_work(void)
{
    struct io_uring_params params = {0};
    int fd = (int)syscall(SYS_io_uring_setup, 1, &params);
    return fd >= 0 && !close(fd);
}
#else
static int rings_work(void)
{
    return 0;
}

static void *work_by_ring(void *argument)
{
    (void)argument;
    misuse("it was built without io_uring: the kernel's headers here are too old");
    return NULL;
}
#endif

static uint64_t read_streams(char **texts, int count)
{
    uint64_t start_bytes = 0;
    for (int i = 0; i < count; i++) {
        char *text = texts[i], *block = strchr(text, ':'), *span = block ? strchr(block + 1, ':') : NULL;
        if (!span)
            misuse("a stream is LANES:BLOCK_BYTES:SPAN_BYTES");
        *block++ = *span++ = 0;
        uint64_t own_lanes = number(text, 1, LANES_MAX - lane_count), block_bytes = number(block, 512, 64u << 20);
        uint64_t span_bytes = number(span, 512, (uint64_t)1 << 50), slots = span_bytes / block_bytes;
        if (slots < own_lanes || span_bytes % block_bytes || block_bytes % 512)
            misuse("a span must be whole blocks of whole sectors, one at least for every lane");
        for (uint64_t j = 0; j < own_lanes; j++, lane_count++) {
            struct lane *lane = &lanes[lane_count];
            *lane = (struct lane){.index = j, .lanes = own_lanes, .block_bytes = block_bytes};
            lane->start_bytes = start_bytes;
            lane->own_slots = (slots - j + own_lanes - 1) / own_lanes;
            lane->state = 0x9E3779B97F4A7C15u * (lane_count + 1);
            if (posix_memalign(&lane->buffer, ALIGNMENT_BYTES, block_bytes)
                || posix_memalign(&lane->read_buffer, ALIGNMENT_BYTES, block_bytes))
                misuse("not enough memory for the buffers");
            fill_at_random(lane->buffer, block_bytes);
        }
        start_bytes += span_bytes;
    }
    return start_bytes;
}

static void run_load(uint64_t seconds)
{
    static uint64_t firsts[RINGS_MAX];
    static pthread_t threads[RINGS_MAX];
    uint64_t writes = 0, reads = 0, bytes = 0, thread_count = ring_count ? ring_count : lane_count;
    pthread_barrier_init(&ready, NULL, (unsigned)thread_count + 1);
    for (uint64_t i = 0; i < thread_count; i++) {
        pthread_t *thread = ring_count ? &threads[i] : &lanes[i].thread;
        if (ring_count)
            firsts[i] = i;
        errno = pthread_create(thread, NULL, ring_count ? work_by_ring : work_alone,
                               ring_count ? (void *)&firsts[i] : (void *)&lanes[i]);
        if (errno)
            die("start", "a thread");
    }
    pthread_barrier_wait(&ready);
    uint64_t began_ns = now_ns();
    struct timespec pause = {.tv_sec = (time_t)seconds};
    while (nanosleep(&pause, &pause) && errno == EINTR)
        ;
    atomic_store(&stop, 1);
    for (uint64_t i = 0; i < thread_count; i++)
        pthread_join(ring_count ? threads[i] : lanes[i].thread, NULL);
    uint64_t ended_ns = now_ns();
    for (uint64_t i = 0; i < lane_count; i++) {
        writes += lanes[i].writes;
        reads += lanes[i].reads;
        bytes += (lanes[i].writes + lanes[i].reads) * lanes[i].block_bytes;
    }
    printf("{\"writes\": %llu, \"reads\": %llu, \"bytes\": %llu, \"began_ns\": %llu, \"ended_ns\": %llu}\n",
           (unsigned long long)writes, (unsigned long long)reads, (unsigned long long)bytes,
           (unsigned long long)began_ns, (unsigned long long)ended_ns);
}

static void run_reads(uint64_t block_bytes, uint64_t span_bytes)
{
    void *buffer;
    if (posix_memalign(&buffer, ALIGNMENT_BYTES, block_bytes))
        misuse("not enough memory for the buffer");
    uint64_t began_ns = now_ns();
    for (uint64_t offset = 0; offset < span_bytes; offset += block_bytes) {
        ssize_t got = pread(volume, buffer, block_bytes, (off_t)offset);
        if (got != (ssize_t)block_bytes) {
            if (got >= 0)
                errno = EIO;
            die("read", "a whole block");
        }
    }
    printf("{\"writes\": 0, \"reads\": %llu, \"bytes\": %llu, \"began_ns\": %llu, \"ended_ns\": %llu}\n",
           (unsigned long long)(span_bytes / block_bytes), (unsigned long long)span_bytes,
           (unsigned long long)began_ns, (unsigned long long)now_ns());
}

int main(int count, char **arguments)
{
    if (count == 5 && !strcmp(arguments[1], "read")) {
        uint64_t block_bytes = number(arguments[3], 512, 64u << 20);
        uint64_t span_bytes = number(arguments[4], 512, (uint64_t)1 << 50);
        if (span_bytes % block_bytes || block_bytes % 512)
            misuse("the span must be whole blocks of whole sectors");
        open_volume(arguments[2], O_RDONLY, span_bytes);
        run_reads(block_bytes, span_bytes);
        return 0;
    }
    if (count == 2 && !strcmp(arguments[1], "rings")) {
        printf("{\"rings\": %d}\n", rings_work());
        return 0;
    }
    if (count < 7 || strcmp(arguments[1], "load"))
        misuse("say load threads|RINGS PATH SECONDS READ_PERCENT STREAM..., or read PATH BLOCK_BYTES SPAN_BYTES");
    ring_count = strcmp(arguments[2], "threads") ? number(arguments[2], 1, RINGS_MAX) : 0;
    uint64_t seconds = number(arguments[4], 1, SECONDS_MAX);
    read_percent = number(arguments[5], 0, 100);
    uint64_t span_bytes = read_streams(arguments + 6, count - 6);
    if (ring_count > lane_count)
        misuse("there are more rings than lanes");
    open_volume(arguments[3], O_RDWR, span_bytes);
    run_load(seconds);
    return 0;
}
