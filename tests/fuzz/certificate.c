/*
 * Checking a certificate against a made-up night of two groups. The first byte chooses what the
 * rest is: 'd' a document, 'p' a page, 'e' and 'f' edits of the right document or page, three bytes each:
 * where (two bytes), and what stands there. Nothing but the right bytes may agree.
 */
#include "fuzz.h"
#include "unit/output/output_fixture.h"

static char run[PATH_MAX], document_path[PATH_MAX + 32], page_path[PATH_MAX + 32];
static struct hf_text right_document, right_page;

static void tidy(void)
{
    scratch_remove(run);
    hf_text_release(&right_document);
    hf_text_release(&right_page);
}

static void prepare(void)
{
    struct night night = {.groups = 2, .seed = 1, .soak_hours = 1};
    struct hf_evidence *whole = NULL;
    struct hf_evidence *evidence = NULL;
    struct hf_error error = {0};

    scratch_make(run);
    MUST(atexit(tidy) == 0);
    (void)snprintf(document_path, sizeof document_path, "%s/certificate-g0.json", run);
    (void)snprintf(page_path, sizeof page_path, "%s/certificate-g0.html", run);
    night_write(&night, run);
    MUST(night.finished);
    MUST(hf_evidence_open(run, &whole, &error) == HF_OK);
    MUST(hf_evidence_open_at(run, whole->finished.sequence, &evidence, &error) == HF_OK);
    MUST(hf_certificate_document(evidence, 0, &right_document, &error) == HF_OK);
    MUST(hf_certificate_html(&right_document, "certificate-g0.json", &right_page, &error) == HF_OK);
    hf_evidence_free(evidence);
    hf_evidence_free(whole);
}

static int check(const char *path, const char *bytes, size_t size, struct hf_certificate_verdict *verdict)
{
    struct hf_error error = {0};
    FILE *file = fopen(path, "wb");
    int code;

    MUST(file != NULL);
    MUST(size == 0 || fwrite(bytes, size, 1, file) == 1);
    MUST(fclose(file) == 0);
    code = hf_certificate_check(path, run, verdict, &error);
    if (code != HF_OK)
        must_explain(code, &error, NULL);
    return code;
}

static void try(int is_page, const char *bytes, size_t size)
{
    const struct hf_text *right = is_page ? &right_page : &right_document;
    struct hf_certificate_verdict verdict = {0};
    int same = size == right->size && memcmp(bytes, right->bytes, size) == 0;
    int code = check(is_page ? page_path : document_path, bytes, size, &verdict);

    MUST(!same || code == HF_OK);
    if (code != HF_OK)
        return;
    MUST(verdict.agrees == same);
    MUST(verdict.agrees || (verdict.path[0] != '\0' && verdict.words[0] != '\0'));
}

static void try_edits(int is_page, const uint8_t *edits, size_t size)
{
    const struct hf_text *right = is_page ? &right_page : &right_document;
    char *bytes = exact_copy((const uint8_t *)right->bytes, right->size, 0);

    for (size_t i = 0; i + 2 < size; i += 3)
        bytes[((size_t)edits[i] * 256 + edits[i + 1]) % right->size] = (char)edits[i + 2];
    try(is_page, bytes, right->size);
    free(bytes);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    if (run[0] == '\0')
        prepare();
    if (size == 0)
        return 0;
    if (bytes[0] == 'e' || bytes[0] == 'f')
        try_edits(bytes[0] == 'f', bytes + 1, size - 1);
    else if (bytes[0] == 'd' || bytes[0] == 'p')
        try(bytes[0] == 'p', (const char *)bytes + 1, size - 1);
    return 0;
}
