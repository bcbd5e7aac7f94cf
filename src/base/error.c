#include "holdfast/error.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

struct code_entry {
    int code;
    int exit_status;
    const char *name;
    const char *sentence;
};

static const struct code_entry entries[] = {{HF_OK, 0, "ok", "no error"},
#define HF_ERROR_ENTRY(code, value, name, sentence, exit_status) {code, exit_status, name, sentence},
                                            HF_ERROR_LIST(HF_ERROR_ENTRY)
#undef HF_ERROR_ENTRY
};

static const struct code_entry *entry_of(int code)
{
    for (size_t i = 0; i < sizeof entries / sizeof entries[0]; i++) {
        if (entries[i].code == code)
            return &entries[i];
    }
    return NULL;
}

static int record_first(struct hf_error *error, int code, const char *file, int line, const char *format,
                        va_list arguments)
{
    if (error->code != HF_OK)
        return error->code;
    error->code = code;
    error->file = file;
    error->line = line;
    (void)vsnprintf(error->message, sizeof error->message, format, arguments);
    return code;
}

int hf_fail_at(struct hf_error *error, int code, const char *file, int line, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    code = record_first(error, code, file, line, format, arguments);
    va_end(arguments);
    return code;
}

static int code_of_errno(int errno_value)
{
    switch (errno_value) {
    case ENOSPC:
    case EDQUOT:
    case EFBIG:
        return HF_E_FULL;
    case EACCES:
    case EPERM:
    case EROFS:
        return HF_E_PERMISSION;
    case ENOMEM:
        return HF_E_MEMORY;
    case ENOENT:
    case ENOTDIR:
        return HF_E_NOT_FOUND;
    case ELOOP:
    case ENAMETOOLONG:
        return HF_E_INPUT;
    default:
        return HF_E_IO;
    }
}

int hf_fail_errno_at(struct hf_error *error, int errno_value, const char *file, int line, const char *format,
                     ...)
{
    va_list arguments;
    size_t used;
    int first = error->code == HF_OK;
    int code;

    va_start(arguments, format);
    code = record_first(error, code_of_errno(errno_value), file, line, format, arguments);
    va_end(arguments);
    if (!first)
        return code;
    used = strlen(error->message);
    (void)snprintf(error->message + used, sizeof error->message - used, ": %s", strerror(errno_value));
    return code;
}

void hf_error_context(struct hf_error *error, const char *format, ...)
{
    char with_context[sizeof error->message];
    va_list arguments;
    size_t used;

    if (error->code == HF_OK)
        return;
    va_start(arguments, format);
    (void)vsnprintf(with_context, sizeof with_context, format, arguments);
    va_end(arguments);
    used = strlen(with_context);
    (void)snprintf(with_context + used, sizeof with_context - used, ": %s", error->message);
    memcpy(error->message, with_context, sizeof error->message);
}

void hf_error_clear(struct hf_error *error)
{
    *error = (struct hf_error){0};
}

const char *hf_error_name(int code)
{
    const struct code_entry *entry = entry_of(code);

    return entry ? entry->name : "unknown";
}

const char *hf_error_sentence(int code)
{
    const struct code_entry *entry = entry_of(code);

    return entry ? entry->sentence : "unknown error";
}

int hf_error_exit_status(int code)
{
    const struct code_entry *entry = entry_of(code);

    return entry ? entry->exit_status : 4;
}
