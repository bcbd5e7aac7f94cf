/*
 * Errors: one vocabulary for the whole of holdfast.
 *
 * A function that can fail returns an int: 0, or a negative code of HF_ERROR_LIST, and takes a
 * `struct hf_error *` as its last argument. On failure the struct holds the code, the place that first
 * noticed (file and line), and one sentence: what happened, to what, the allowed range, what to do.
 *
 * Calling order: `struct hf_error error = {0};` then pass &error down. Whoever first notices calls
 * hf_fail(); whoever knows more adds words in front with hf_error_context(). Library code neither
 * prints nor exits; the command that handles the error prints it once and maps it with
 * hf_error_exit_status(). `ret_` outputs are untouched on failure.
 */
#ifndef HOLDFAST_ERROR_H
#define HOLDFAST_ERROR_H

/* code, value, name, sentence, exit status of the program (2 bad input, 3 undecided, 4 machine lacks) */
#define HF_ERROR_LIST(X)                                                                                     \
    X(HF_E_USAGE, -1, "usage", "the command line is wrong", 2)                                               \
    X(HF_E_INPUT, -2, "input", "a file's content is wrong", 2)                                               \
    X(HF_E_RANGE, -3, "range", "a value is outside its allowed range", 2)                                    \
    X(HF_E_DAMAGED, -4, "damaged", "a record is damaged", 2)                                                 \
    X(HF_E_VERSION, -5, "version", "written by a newer version", 2)                                          \
    X(HF_E_BUSY, -6, "busy", "in use by another process", 2)                                                 \
    X(HF_E_MISMATCH, -7, "mismatch", "two things that must agree do not", 2)                                 \
    X(HF_E_NOT_FOUND, -8, "not-found", "there is no such thing", 2)                                          \
    X(HF_E_UNPROVED, -9, "unproved", "not proved yet", 3)                                                    \
    X(HF_E_PARKED, -10, "parked", "the run waits for a person", 3)                                           \
    X(HF_E_IO, -11, "io", "a read, write or sync failed", 4)                                                 \
    X(HF_E_FULL, -12, "full", "no space left", 4)                                                            \
    X(HF_E_PERMISSION, -13, "permission", "not permitted", 4)                                                \
    X(HF_E_MISSING, -14, "missing", "the machine lacks something", 4)                                        \
    X(HF_E_MEMORY, -15, "memory", "out of memory", 4)                                                        \
    X(HF_E_REFUSED, -16, "refused", "refused for safety", 4)                                                 \
    X(HF_E_STICKY, -17, "sticky", "an earlier failure stopped all writing", 4)

enum hf_error_code {
    HF_OK = 0,
#define HF_ERROR_ENUM(code, value, name, sentence, exit_status) code = value,
    HF_ERROR_LIST(HF_ERROR_ENUM)
#undef HF_ERROR_ENUM
};

struct hf_error {
    int code;         /* 0 or a negative hf_error_code */
    const char *file; /* where it was first noticed */
    int line;
    char message[768]; /* one sentence for a person, always NUL-terminated */
};

/* Records the first failure and returns its code; a later call on the same struct keeps the first. */
#define hf_fail(error, code, ...) hf_fail_at((error), (code), __FILE__, __LINE__, __VA_ARGS__)

int hf_fail_at(struct hf_error *error, int code, const char *file, int line, const char *format, ...)
    __attribute__((format(printf, 5, 6)));

/* Like hf_fail, with the code that fits a failed system call's errno_value; ": strerror" is appended. */
#define hf_fail_errno(error, errno_value, ...)                                                               \
    hf_fail_errno_at((error), (errno_value), __FILE__, __LINE__, __VA_ARGS__)

int hf_fail_errno_at(struct hf_error *error, int errno_value, const char *file, int line, const char *format,
                     ...) __attribute__((format(printf, 5, 6)));

/* Puts "words: " before the message. Does nothing when there is no failure. */
void hf_error_context(struct hf_error *error, const char *format, ...) __attribute__((format(printf, 2, 3)));

void hf_error_clear(struct hf_error *error);

const char *hf_error_name(int code); /* "range"; "ok" for 0 */
const char *hf_error_sentence(int code);
int hf_error_exit_status(int code); /* 0 for HF_OK */

#endif
