/*
 * What the command-line tests need and sh lacks.
 *
 *   tool json [PATH]   standard input must be exactly one JSON text as RFC 8259 defines it, without a key
 * twice in an object: exit status 0, else 1 and the byte offset. With PATH (groups.0.name) prints the value
 *                      there; a string without its quotes; exit status 1 when there is none.
 *   tool seal          standard input is a journal, perhaps changed by hand: prints it with prev and crc of
 * every line put right, as docs/journal.md defines them; what is damaged then is the content alone tool lines
 * PATH N  waits, at most N seconds, until a line of the file holds the text on standard input tool screen
 * standard input must fit a screen: at most 24 lines of at most 80 columns; names what does not tool workers
 * process ids of the living worker processes in the caller's process group, one a line tool cpu PID S samples
 * a process for S seconds: prints "share PERCENT rss KIB" (of one CPU; resident set)
 *
 *   tool harmless      standard input must be UTF-8 without control characters (but newlines) and without
 *                      characters that reorder or hide text: exit status 0, else 1 and the first of them
 *
 * The checker of JSON is written from the RFC's grammar and shares no code with the program under test.
 */
#include <ctype.h>
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define INPUT_MAX (64u * 1024 * 1024)
#define DEPTH_MAX 256
#define KEYS_MAX  4096

struct text {
    const char *bytes;
    size_t size;
    size_t at;
};

/* --- JSON -------------------------------------------------------------------------------------------- */

static int value(struct text *text, int depth);

static void blanks(struct text *text)
{
    while (text->at < text->size && strchr(" \t\r\n", text->bytes[text->at]) != NULL &&
           text->bytes[text->at] != '\0')
        text->at++;
}

static int take(struct text *text, char wanted)
{
    if (text->at >= text->size || text->bytes[text->at] != wanted)
        return 0;
    text->at++;
    return 1;
}

static int take_word(struct text *text, const char *word)
{
    size_t length = strlen(word);

    if (text->size - text->at < length || memcmp(text->bytes + text->at, word, length) != 0)
        return 0;
    text->at += length;
    return 1;
}

static int digits(struct text *text)
{
    size_t before = text->at;

    while (text->at < text->size && isdigit((unsigned char)text->bytes[text->at]))
        text->at++;
    return text->at > before;
}

static int number(struct text *text)
{
    (void)take(text, '-');
    if (!take(text, '0') && !digits(text))
        return 0;
    if (take(text, '.') && !digits(text))
        return 0;
    if (take(text, 'e') || take(text, 'E')) {
        if (!take(text, '+'))
            (void)take(text, '-');
        return digits(text);
    }
    return 1;
}

static int escape(struct text *text)
{
    char kind = text->at < text->size ? text->bytes[text->at++] : '\0';

    if (kind != 'u')
        return kind != '\0' && strchr("\"\\/bfnrt", kind) != NULL;
    for (int i = 0; i < 4; i++) {
        if (text->at >= text->size || !isxdigit((unsigned char)text->bytes[text->at++]))
            return 0;
    }
    return 1;
}

static int string(struct text *text)
{
    if (!take(text, '"'))
        return 0;
    while (text->at < text->size) {
        unsigned char byte = (unsigned char)text->bytes[text->at++];

        if (byte == '"')
            return 1;
        if (byte < 0x20 || (byte == '\\' && !escape(text)))
            return 0;
    }
    return 0;
}

struct key {
    const char *bytes;
    size_t size;
};

static int seen(const struct key *keys, int count, const struct key *key)
{
    for (int i = 0; i < count; i++) {
        if (keys[i].size == key->size && memcmp(keys[i].bytes, key->bytes, key->size) == 0)
            return 1;
    }
    return 0;
}

static int members(struct text *text, int depth)
{
    struct key *keys = calloc(KEYS_MAX, sizeof *keys);
    int count = 0;
    int good = keys != NULL;

    do {
        struct key key;

        blanks(text);
        key.bytes = text->bytes + text->at;
        good = good && string(text);
        key.size = (size_t)(text->bytes + text->at - key.bytes);
        good = good && count < KEYS_MAX && !seen(keys, count, &key);
        if (good)
            keys[count++] = key;
        blanks(text);
        good = good && take(text, ':') && value(text, depth);
    } while (good && take(text, ','));
    free(keys);
    return good && take(text, '}');
}

static int items(struct text *text, int depth)
{
    do {
        if (!value(text, depth))
            return 0;
    } while (take(text, ','));
    return take(text, ']');
}

static int value(struct text *text, int depth)
{
    int good;

    if (depth >= DEPTH_MAX)
        return 0;
    blanks(text);
    if (take(text, '{')) {
        blanks(text);
        good = take(text, '}') || members(text, depth + 1);
    } else if (take(text, '[')) {
        blanks(text);
        good = take(text, ']') || items(text, depth + 1);
    } else if (text->at < text->size && text->bytes[text->at] == '"') {
        good = string(text);
    } else {
        good = take_word(text, "true") || take_word(text, "false") || take_word(text, "null") || number(text);
    }
    blanks(text);
    return good;
}

/* Moves to the member or item; the text is known to be sound. */
static int step_into(struct text *text, const char *name, size_t length)
{
    long index = 0;
    long wanted = strtol(name, NULL, 10);
    int in_object;

    blanks(text);
    in_object = take(text, '{');
    if (!in_object && !take(text, '['))
        return 0;
    blanks(text);
    if (text->bytes[text->at] == '}' || text->bytes[text->at] == ']')
        return 0;
    do {
        const char *key;
        size_t size;

        blanks(text);
        if (in_object) {
            key = text->bytes + text->at + 1;
            (void)string(text);
            size = (size_t)(text->bytes + text->at - key) - 1;
            blanks(text);
            (void)take(text, ':');
            blanks(text);
            if (size == length && memcmp(key, name, size) == 0)
                return 1;
        } else if (index++ == wanted && isdigit((unsigned char)name[0])) {
            return 1;
        }
        (void)value(text, 0);
    } while (take(text, ','));
    return 0;
}

static int print_at(struct text *text, const char *path)
{
    size_t begin;

    text->at = 0;
    while (*path != '\0') {
        size_t length = strcspn(path, ".");

        if (!step_into(text, path, length))
            return 1;
        path += length + (path[length] == '.');
    }
    blanks(text);
    begin = text->at;
    (void)value(text, 0);
    while (text->at > begin && isspace((unsigned char)text->bytes[text->at - 1]))
        text->at--;
    if (text->bytes[begin] == '"')
        printf("%.*s\n", (int)(text->at - begin - 2), text->bytes + begin + 1);
    else
        printf("%.*s\n", (int)(text->at - begin), text->bytes + begin);
    return 0;
}

static char *read_input(size_t *ret_size)
{
    char *bytes = malloc(INPUT_MAX);
    size_t size = 0;
    size_t got;

    if (bytes == NULL)
        return NULL;
    while (size < INPUT_MAX - 1 && (got = fread(bytes + size, 1, INPUT_MAX - 1 - size, stdin)) > 0)
        size += got;
    bytes[size] = '\0';
    *ret_size = size;
    return bytes;
}

static int check_json(const char *path)
{
    struct text text = {0};
    char *bytes = read_input(&text.size);
    int status = 1;

    text.bytes = bytes;
    if (bytes == NULL)
        return 2;
    if (!value(&text, 0) || text.at != text.size)
        fprintf(stderr, "not one JSON text: byte %zu of %zu: %.40s\n", text.at, text.size, bytes + text.at);
    else
        status = path != NULL ? print_at(&text, path) : 0;
    free(bytes);
    return status;
}

/* --- journals ---------------------------------------------------------------------------------------- */

/* CRC-32C bit by bit: reflected polynomial 0x82f63b78 (RFC 3720, appendix B.4). */
static uint32_t crc32c(const char *bytes, size_t size)
{
    uint32_t crc = UINT32_MAX;

    for (size_t i = 0; i < size; i++) {
        crc ^= (unsigned char)bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ UINT32_C(0x82f63b78) : crc >> 1;
    }
    return ~crc;
}

/* ,"prev":"xxxxxxxx","crc":"xxxxxxxx"} ends a line: 18 bytes that the checksum covers, and 18 that it does
 * not. */
#define TAIL_BYTES   36
#define TAIL_COVERED 18
#define TAIL_PREV_AT 9

static int seal(void)
{
    static char line[1024 * 1024];
    char prev[9] = "";

    while (fgets(line, sizeof line, stdin) != NULL) {
        size_t size = strcspn(line, "\n");
        char *tail = line + size - TAIL_BYTES;

        if (size < TAIL_BYTES || strncmp(tail, ",\"prev\":\"", TAIL_PREV_AT) != 0) {
            fprintf(stderr, "not a line of a journal: %.60s\n", line);
            return 1;
        }
        if (prev[0] != '\0')
            memcpy(tail + TAIL_PREV_AT, prev, 8);
        (void)snprintf(prev, sizeof prev, "%08x", crc32c(line, size - TAIL_COVERED));
        printf("%.*s,\"crc\":\"%s\"}\n", (int)(size - TAIL_COVERED), line, prev);
    }
    return 0;
}

/* --- the others -------------------------------------------------------------------------------------- */

static int holds(const char *path, const char *wanted)
{
    static char line[1024 * 1024];
    FILE *file = fopen(path, "r");
    int found = 0;

    if (file == NULL)
        return 0;
    while (!found && fgets(line, sizeof line, file) != NULL)
        found = strstr(line, wanted) != NULL;
    (void)fclose(file);
    return found;
}

static void nap(double seconds)
{
    struct timespec time = {.tv_sec = (time_t)seconds,
                            .tv_nsec = (long)((seconds - (double)(time_t)seconds) * 1e9)};

    (void)nanosleep(&time, NULL);
}

static int wait_for_line(const char *path, double limit_s)
{
    char wanted[1024] = "";

    if (fgets(wanted, sizeof wanted, stdin) == NULL)
        return 2;
    wanted[strcspn(wanted, "\n")] = '\0';
    for (int i = 0; i <= (int)(limit_s * 50); i++) {
        if (holds(path, wanted))
            return 0;
        nap(0.02);
    }
    fprintf(stderr, "no line of %s holds: %s\n", path, wanted);
    return 1;
}

static int check_screen(void)
{
    static char line[4096];
    int lines = 0;
    int status = 0;

    while (fgets(line, sizeof line, stdin) != NULL) {
        size_t width = strcspn(line, "\n");

        lines++;
        if (width > 80) {
            fprintf(stderr, "line %d has %zu columns: %s", lines, width, line);
            status = 1;
        }
    }
    if (lines > 24) {
        fprintf(stderr, "%d lines\n", lines);
        status = 1;
    }
    return status;
}

/* CPU time of the process so far, seconds: fields 14 and 15 of /proc/PID/stat (proc(5)). */
static double cpu_seconds(const char *pid)
{
    char path[64];
    char content[4096] = "";
    unsigned long user = 0;
    unsigned long system = 0;
    const char *after;
    FILE *file;

    (void)snprintf(path, sizeof path, "/proc/%s/stat", pid);
    file = fopen(path, "r");
    if (file == NULL)
        return -1;
    (void)fread(content, 1, sizeof content - 1, file);
    (void)fclose(file);
    after = strrchr(content, ')'); /* the name may hold anything */
    if (after == NULL ||
        sscanf(after + 1, " %*c %*d %*d %*d %*d %*d %*u %*u %*u %*u %*u %lu %lu", &user, &system) != 2)
        return -1;
    return (double)(user + system) / (double)sysconf(_SC_CLK_TCK);
}

static long resident_kib(const char *pid)
{
    char path[64];
    char line[256];
    long kib = -1;
    FILE *file;

    (void)snprintf(path, sizeof path, "/proc/%s/status", pid);
    file = fopen(path, "r");
    while (file != NULL && kib < 0 && fgets(line, sizeof line, file) != NULL)
        (void)sscanf(line, "VmRSS: %ld", &kib);
    if (file != NULL)
        (void)fclose(file);
    return kib;
}

static double now_s(void)
{
    struct timespec time;

    (void)clock_gettime(CLOCK_MONOTONIC, &time);
    return (double)time.tv_sec + 1e-9 * (double)time.tv_nsec;
}

static int sample_process(const char *pid, double seconds)
{
    double begin_s = now_s();
    double before = cpu_seconds(pid);
    double after;
    long kib;

    nap(seconds);
    after = cpu_seconds(pid);
    kib = resident_kib(pid);
    if (before < 0 || after < 0 || kib < 0) {
        fprintf(stderr, "process %s is gone\n", pid);
        return 1;
    }
    printf("share %.2f rss %ld\n", 100 * (after - before) / (now_s() - begin_s), kib);
    return 0;
}

/* State and process group of /proc/PID/stat (proc(5)): 1 when it lives in our group. */
static int lives_in_our_group(const char *pid)
{
    char path[300];
    char content[4096] = "";
    char state = 'Z';
    int group = 0;
    const char *after;
    FILE *file;

    (void)snprintf(path, sizeof path, "/proc/%s/stat", pid);
    file = fopen(path, "r");
    if (file == NULL)
        return 0;
    (void)fread(content, 1, sizeof content - 1, file);
    (void)fclose(file);
    after = strrchr(content, ')');
    return after != NULL && sscanf(after + 1, " %c %*d %d", &state, &group) == 2 && state != 'Z' &&
           state != 'X' && group == getpgrp();
}

static int is_worker(const char *pid)
{
    char path[300];
    char content[8192];
    const char *second;
    size_t size;
    FILE *file;

    (void)snprintf(path, sizeof path, "/proc/%s/cmdline", pid);
    file = fopen(path, "r");
    if (file == NULL)
        return 0;
    size = fread(content, 1, sizeof content - 1, file);
    (void)fclose(file);
    content[size] = '\0';
    second = content + strlen(content) + 1;
    return second < content + size && strcmp(second, "worker") == 0;
}

static int list_workers(void)
{
    DIR *folder = opendir("/proc");
    const struct dirent *entry;

    if (folder == NULL)
        return 1;
    while ((entry = readdir(folder)) != NULL) {
        if (isdigit((unsigned char)entry->d_name[0]) && lives_in_our_group(entry->d_name) &&
            is_worker(entry->d_name))
            printf("%s\n", entry->d_name);
    }
    return closedir(folder);
}

/* --- harmless text ------------------------------------------------------------------------------------ */

/* Unicode: controls (Cc) but newline; the bidirectional, joining and invisible format characters (of Cf). */
static int does_harm(unsigned long c)
{
    static const unsigned long ranges[][2] = {
        {0x00, 0x09},     {0x0b, 0x1f},     {0x7f, 0x9f},       {0xad, 0xad},     {0x61c, 0x61c},
        {0x180e, 0x180e}, {0x200b, 0x200f}, {0x2028, 0x202e},   {0x2060, 0x206f}, {0xfeff, 0xfeff},
        {0xfff9, 0xfffb}, {0xd800, 0xdfff}, {0xe0000, 0xe007f}, {0x110000, ~0UL},
    };

    for (size_t i = 0; i < sizeof ranges / sizeof ranges[0]; i++) {
        if (c >= ranges[i][0] && c <= ranges[i][1])
            return 1;
    }
    return 0;
}

static int check_harmless(void)
{
    size_t size;
    char *bytes = read_input(&size);
    int status = 0;

    for (size_t at = 0; at < size && status == 0;) {
        unsigned char lead = (unsigned char)bytes[at];
        size_t more = lead < 0x80 ? 0 : lead < 0xc0 ? 9 : lead < 0xe0 ? 1 : lead < 0xf0 ? 2 : 3;
        unsigned long c = more == 0 ? lead : lead & (0x3fu >> more);

        status = more == 9 || at + more >= size;
        for (size_t i = 1; status == 0 && i <= more; i++) {
            status = (bytes[at + i] & 0xc0) != 0x80;
            c = c << 6 | ((unsigned char)bytes[at + i] & 0x3fu);
        }
        if (status == 0)
            status = does_harm(c);
        if (status != 0)
            printf("harmful at byte %zu: %#lx after \"%.*s\"\n", at, c, (int)(at < 30 ? at : 30),
                   bytes + (at < 30 ? 0 : at - 30));
        at += more + 1;
    }
    free(bytes);
    return status;
}

int main(int argc, char **argv)
{
    if (argc >= 2 && argc <= 3 && strcmp(argv[1], "json") == 0)
        return check_json(argc == 3 ? argv[2] : NULL);
    if (argc == 4 && strcmp(argv[1], "lines") == 0)
        return wait_for_line(argv[2], strtod(argv[3], NULL));
    if (argc == 2 && strcmp(argv[1], "seal") == 0)
        return seal();
    if (argc == 2 && strcmp(argv[1], "harmless") == 0)
        return check_harmless();
    if (argc == 2 && strcmp(argv[1], "screen") == 0)
        return check_screen();
    if (argc == 2 && strcmp(argv[1], "workers") == 0)
        return list_workers();
    if (argc == 4 && strcmp(argv[1], "cpu") == 0)
        return sample_process(argv[2], strtod(argv[3], NULL));
    fprintf(stderr, "usage: tool json [PATH] | seal | harmless | lines FILE SECONDS | screen | workers | cpu "
                    "PID SECONDS\n");
    return 2;
}
