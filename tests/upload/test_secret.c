/* What an upload keeps without a server: secret memory, the token's file, the queue on disk, what is written
 * into a request. */
#include "upload_fixture.h"

#include <math.h>

#include "holdfast/random.h"
#include "output/upload_private.h"
#include "output/upload_secret.h"

/* --- secret memory --- */

#define PIECES 200

struct piece {
    unsigned char *bytes;
    size_t size;
    unsigned char fill;
};

static void check_fill(const struct piece *piece)
{
    for (size_t i = 0; i < piece->size; i++)
        assert_int_equal(piece->bytes[i], piece->fill);
}

/* Random blocks: none overlaps another, what comes back is zero, all of it comes back. Seed 1. */
static void test_secret_memory(void **state)
{
    static struct piece piece[PIECES];
    struct hf_error error = {0};
    struct hf_random random;

    (void)state;
    hf_random_init(&random, 1, 0);
    assert_ok(hf_secret_begin(&error));
    for (int turn = 0; turn < 20000; turn++) {
        struct piece *p = &piece[hf_random_below(&random, PIECES)];
        size_t size = 1 + (size_t)hf_random_below(&random, 3000);

        check_fill(p);
        if (p->bytes == NULL) {
            p->bytes = hf_secret_zeroed(1, size);
            assert_non_null(p->bytes);
            *p = (struct piece){p->bytes, size, 0};
            check_fill(p);
        } else if (turn % 3 == 0) {
            p->bytes = hf_secret_reallocate(p->bytes, size);
            assert_non_null(p->bytes);
            p->size = p->size < size ? p->size : size;
            check_fill(p);
            p->size = size;
        } else {
            hf_secret_free(p->bytes);
            *p = (struct piece){0};
            continue;
        }
        p->fill = (unsigned char)(1 + turn % 255);
        memset(p->bytes, p->fill, p->size);
    }
    for (int i = 0; i < PIECES; i++)
        hf_secret_free(piece[i].bytes);
    assert_int_equal(hf_secret_used(), 0);
    /* one piece again, and too much */
    piece[0].bytes = hf_secret_allocate(HF_SECRET_BYTES - 4096);
    assert_non_null(piece[0].bytes);
    assert_null(hf_secret_allocate(8192));
    assert_null(hf_secret_allocate(SIZE_MAX - 8));
    assert_null(hf_secret_zeroed(SIZE_MAX / 2, 4));
    hf_secret_free(piece[0].bytes);
    hf_secret_free(NULL);
}

/* --- the token's file --- */

static char folder[PATH_MAX];

static void write_mode(const char *name, const char *content, size_t size, mode_t mode)
{
    file_write(folder, name, content, size);
    assert_int_equal(chmod(file_path(folder, name), mode), 0);
}

static void test_token_file(void **state)
{
    static const mode_t bad_modes[] = {0644, 0640, 0604, 0660, 0622, 0700, 01600, 04600};
    static const char *const bad_content[] = {"",    "two words",    "a\nb",       "=",
                                              "a=b", "t\xc3\xb6ken", "\"quoted\"", "a\r\n\r\nb: c"};
    struct hf_error error = {0};
    char *token;

    (void)state;
    scratch_make(folder);
    write_mode("good", "AZaz09-._~+/==\r\n", 16, 0600);
    assert_ok(hf_secret_read_token(file_path(folder, "good"), &token, &error));
    assert_string_equal(token, "AZaz09-._~+/==");
    hf_secret_free(token);
    write_mode("good", "x", 1, 0400);
    assert_ok(hf_secret_read_token(file_path(folder, "good"), &token, &error));
    assert_string_equal(token, "x");
    hf_secret_free(token);
    for (size_t i = 0; i < sizeof bad_modes / sizeof bad_modes[0]; i++) {
        write_mode("mode", "secretword", 10, bad_modes[i]);
        assert_error(hf_secret_read_token(file_path(folder, "mode"), &token, &error), HF_E_PERMISSION,
                     "chmod 600");
    }
    for (size_t i = 0; i < sizeof bad_content / sizeof bad_content[0]; i++) {
        write_mode("content", bad_content[i], strlen(bad_content[i]), 0600);
        assert_int_not_equal(hf_secret_read_token(file_path(folder, "content"), &token, &error), HF_OK);
        assert_true(bad_content[i][0] == '\0' || strstr(error.message, bad_content[i]) == NULL ||
                    strcmp(bad_content[i], "=") == 0);
        hf_error_clear(&error);
    }
    write_mode("nul", "ab\0cd", 5, 0600);
    assert_error(hf_secret_read_token(file_path(folder, "nul"), &token, &error), HF_E_INPUT,
                 "holds no token");
    assert_int_equal(mkfifo(file_path(folder, "fifo"), 0600), 0);
    assert_error(hf_secret_read_token(file_path(folder, "fifo"), &token, &error), HF_E_INPUT,
                 "no plain file");
    assert_error(hf_secret_read_token(folder, &token, &error), HF_E_INPUT, "no plain file");
    assert_error(hf_secret_read_token(file_path(folder, "none"), &token, &error), HF_E_NOT_FOUND, "none");
    if (geteuid() == 0) { /* only root can make another user's file */
        write_mode("other", "secretword", 10, 0600);
        assert_int_equal(chown(file_path(folder, "other"), 12345, 12345), 0);
        assert_error(hf_secret_read_token(file_path(folder, "other"), &token, &error), HF_E_PERMISSION,
                     "another user");
    }
    assert_int_equal(hf_secret_used(), 0);
    scratch_remove(folder);
}

/* --- the request --- */

/* RFC 9530, appendix D: the content {"hello": "world"} and a line end. The SHA-256 of nothing: NIST's example
 * vectors of FIPS 180-4. Both from memory, and computed again with openssl dgst -sha256 -binary | base64. */
static void test_request(void **state)
{
    static const char content[] = "{\"hello\": \"world\"}\n";
    char header[HF_UPLOAD_DIGEST_HEADER], hex[HF_SHA256_HEX];
    struct hf_sha256 sha;
    struct hf_text text;

    (void)state;
    hf_sha256_init(&sha);
    hf_sha256_update(&sha, content, sizeof content - 1);
    hf_sha256_finish(&sha, hex);
    hf_upload_digest_header(hex, header);
    assert_string_equal(header, "Content-Digest: sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:");
    hf_upload_digest_header("e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", header);
    assert_string_equal(header, "Content-Digest: sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:");
    hf_upload_url("https://store.example/a/", "heron/0x1", "certificate-g%C3%A4 b.json", &text);
    assert_string_equal(text.bytes, "https://store.example/a/heron/0x1/certificate-g%25C3%25A4%20b.json");
    hf_text_release(&text);
    hf_upload_url("https://store.example", "heron/0x1", "report.html", &text);
    assert_string_equal(text.bytes, "https://store.example/heron/0x1/report.html");
    hf_text_release(&text);
    assert_string_equal(hf_upload_content_type("report.html"), "Content-Type: text/html; charset=utf-8");
    assert_string_equal(hf_upload_content_type("journal.jsonl"), "Content-Type: application/jsonl");
    assert_string_equal(hf_upload_content_type("certificate-g0.json"), "Content-Type: application/json");
}

/* --- the queue --- */

static void append(const char *directory, const char *bytes)
{
    int fd = open(file_path(directory, "journal.jsonl"), O_WRONLY | O_APPEND | O_CLOEXEC);

    assert_true(fd >= 0);
    assert_int_equal(write(fd, bytes, strlen(bytes)), (long)strlen(bytes));
    (void)close(fd);
}

static void digest_of(const char *bytes, size_t size, char ret_hex[HF_SHA256_HEX])
{
    struct hf_sha256 sha;

    hf_sha256_init(&sha);
    hf_sha256_update(&sha, bytes, size);
    hf_sha256_finish(&sha, ret_hex);
}

/* However the journal grows, its digest is that of its whole lines: hashed piece by piece and at once. */
static void test_journal_grows(void **state)
{
    struct hf_upload_queue *queue;
    struct hf_error error = {0};
    char run[PATH_MAX], hex[HF_SHA256_HEX];
    size_t size;
    char *journal;

    (void)state;
    run_make(run, 2000);
    assert_ok(hf_upload_queue_open(run, 0, &queue, &error));
    for (int i = 0; i < 5; i++) {
        assert_ok(hf_upload_queue_add_run(queue, &error));
        journal = file_read(run, "journal.jsonl", &size);
        digest_of(journal, size - (i % 2 == 1 ? 7 : 0), hex);
        assert_string_equal(item_named(queue, "journal.jsonl")->digest, hex);
        assert_int_equal(item_named(queue, "journal.jsonl")->bytes, size - (i % 2 == 1 ? 7 : 0));
        free(journal);
        append(run, i % 2 == 0 ? "a whole line\nhalf a " : "line\n"); /* the torn half has 7 bytes */
    }
    hf_upload_queue_close(queue);
    scratch_remove(run);
}

static void test_queue(void **state)
{
    struct hf_upload_queue *queue, *second;
    struct hf_error error = {0};
    struct hf_text text;
    char run[PATH_MAX];
    double wait_s;
    int index;

    (void)state;
    run_make(run, 10);
    assert_ok(hf_upload_queue_open(run, 1, &queue, &error));
    assert_int_equal(hf_upload_queue_count(queue), 0); /* a look makes nothing */
    hf_upload_queue_close(queue);
    assert_int_not_equal(access(file_path(run, "upload"), F_OK), 0);
    assert_ok(hf_upload_queue_open(run, 0, &queue, &error));
    assert_error(hf_upload_queue_open(run, 0, &second, &error), HF_E_BUSY, "another process");
    assert_string_equal(hf_upload_queue_place(queue), "heron/" IDENTITY);
    assert_ok(hf_upload_queue_add_run(queue, &error));
    assert_ok(hf_upload_queue_open(run, 1, &second, &error));
    assert_int_equal(hf_upload_queue_count(second), 4);
    hf_upload_queue_close(second);
    /* the order: certificates, report, journal */
    assert_string_equal(hf_upload_queue_at(queue, 2)->file, "report.html");
    assert_string_equal(hf_upload_queue_at(queue, 3)->file, "journal.jsonl");
    assert_int_equal(hf_upload_queue_due(queue, 0, &wait_s), 0);
    /* failed, sent, parked; then another process reads it */
    assert_ok(hf_upload_queue_failed(queue, 0, 503, "why not", 0, INT64_C(5000000000), &error));
    assert_ok(
        hf_upload_queue_sent(queue, 1, hf_upload_queue_at(queue, 1)->digest, 201, FIRST_WALL_NS, &error));
    assert_ok(hf_upload_queue_failed(queue, 2, 413, "too large", 1, 0, &error));
    hf_upload_queue_close(queue);
    assert_ok(hf_upload_queue_open(run, 0, &queue, &error));
    index = hf_upload_queue_find(queue, "report.html");
    assert_int_equal(hf_upload_queue_at(queue, index)->state, HF_UPLOAD_PARKED);
    assert_string_equal(hf_upload_queue_at(queue, index)->reason, "too large");
    assert_int_equal(hf_upload_queue_at(queue, 1)->state, HF_UPLOAD_SENT);
    assert_int_equal(hf_upload_queue_at(queue, 1)->sent_wall_ns, FIRST_WALL_NS);
    assert_int_equal(hf_upload_queue_at(queue, 0)->attempts, 1);
    assert_int_equal(hf_upload_queue_due(queue, 0, &wait_s), 3); /* the journal */
    assert_ok(hf_upload_queue_failed(queue, 3, 0, "refused", 0, INT64_C(9000000000), &error));
    assert_int_equal(hf_upload_queue_due(queue, 0, &wait_s), -1);
    assert_true(fabs(wait_s - 5) < 1e-6);
    assert_int_equal(hf_upload_queue_due(queue, INT64_C(5000000000), &wait_s), 0);
    /* a clock that was set back by a year does not hold it back */
    assert_int_equal(hf_upload_queue_due(queue, -INT64_C(31536000000000000), &wait_s), 0);
    /* another server has nothing of what this one got; what waits, waits */
    assert_ok(hf_upload_queue_for(queue, "https://one.example", &error));
    assert_ok(hf_upload_queue_add_run(queue, &error));
    assert_int_equal(hf_upload_queue_at(queue, 1)->state, HF_UPLOAD_SENT);
    hf_upload_queue_close(queue);
    assert_ok(hf_upload_queue_open(run, 0, &queue, &error));
    assert_ok(hf_upload_queue_for(queue, "https://one.example", &error));
    assert_ok(hf_upload_queue_add_run(queue, &error));
    assert_int_equal(hf_upload_queue_at(queue, 1)->state, HF_UPLOAD_SENT);
    assert_ok(hf_upload_queue_for(queue, "https://two.example", &error));
    assert_ok(hf_upload_queue_add_run(queue, &error));
    assert_int_equal(hf_upload_queue_at(queue, 1)->state, HF_UPLOAD_WAITING);
    assert_string_equal(hf_upload_queue_at(queue, 1)->sent_digest, "");
    assert_int_equal(hf_upload_queue_at(queue, 0)->attempts, 1);
    /* what was sent while something newer came stays queued */
    assert_ok(hf_upload_queue_sent(queue, 3,
                                   "0000000000000000000000000000000000000000000000000000000000000001", 201,
                                   FIRST_WALL_NS, &error));
    assert_int_equal(hf_upload_queue_at(queue, 3)->state, HF_UPLOAD_WAITING);
    hf_text_init(&text, 10000);
    hf_upload_queue_text(queue, &text);
    assert_non_null(strstr(text.bytes, "report.html"));
    assert_non_null(strstr(text.bytes, "1 attempt(s): too large"));
    hf_text_release(&text);
    hf_upload_queue_close(queue);
    scratch_remove(run);
}

/* Every cut and changed byte of the queue's file: refused and begun anew, or read as it is; never worse. */
static void test_damaged_queue(void **state)
{
    struct hf_upload_queue *queue;
    struct hf_error error = {0};
    struct hf_random random;
    char run[PATH_MAX];
    size_t size;
    char *good;
    int aside = 0;

    (void)state;
    hf_random_init(&random, 2, 0);
    run_make(run, 10);
    assert_ok(hf_upload_queue_open(run, 0, &queue, &error));
    assert_ok(hf_upload_queue_add_run(queue, &error));
    hf_upload_queue_close(queue);
    good = file_read(run, "upload/queue.json", &size);
    for (int i = 0; i < 300; i++) {
        char *bad = malloc(size);

        assert_non_null(bad);
        memcpy(bad, good, size);
        bad[hf_random_below(&random, size)] = (char)hf_random_below(&random, 256);
        file_write(run, "upload/queue.json", bad, i % 2 == 0 ? size : (size_t)hf_random_below(&random, size));
        free(bad);
        assert_ok(hf_upload_queue_open(run, 0, &queue, &error));
        assert_ok(hf_upload_queue_add_run(queue, &error));
        assert_true(hf_upload_queue_count(queue) >= 4 && hf_upload_queue_count(queue) <= 8);
        hf_upload_queue_close(queue);
        aside += access(file_path(run, "upload/queue.damaged"), F_OK) == 0;
        (void)unlink(file_path(run, "upload/queue.damaged"));
    }
    assert_true(aside > 150);
    free(good);
    scratch_remove(run);
}

static void test_no_run(void **state)
{
    struct hf_upload_queue *queue;
    struct hf_error error = {0};

    (void)state;
    scratch_make(folder);
    assert_error(hf_upload_queue_open(folder, 0, &queue, &error), HF_E_NOT_FOUND, "holds no run");
    small_run_directory(folder);
    file_write(folder, "journal.jsonl", "", 0);
    assert_error(hf_upload_queue_open(folder, 0, &queue, &error), HF_E_DAMAGED, "no first line");
    scratch_remove(folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_secret_memory), cmocka_unit_test(test_token_file),
        cmocka_unit_test(test_request),       cmocka_unit_test(test_journal_grows),
        cmocka_unit_test(test_queue),         cmocka_unit_test(test_damaged_queue),
        cmocka_unit_test(test_no_run),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
