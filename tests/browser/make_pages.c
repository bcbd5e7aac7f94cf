/*
 * Makes the pages that a browser then looks at: certificates, reports and comparisons of made-up nights of 2,
 * 4, 8 and 32 groups, finished and not, on the rig and on a real machine.
 *
 *   browser_pages FOLDER     writes FOLDER/<page>.html
 */
#include "unit/output/output_fixture.h"

static const char *folder;

static void write_page(struct hf_text *page, const char *name, int number, const char *kind)
{
    struct hf_error error = {0};
    char path[PATH_MAX];

    (void)snprintf(path, sizeof path, "%s/%s-%d%s%s.html", folder, name, number, kind[0] ? "-" : "", kind);
    assert_ok(hf_text_write_file(page, path, &error));
    hf_text_release(page);
}

static void write_certificate(const char *directory, int group, int groups, const char *kind)
{
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;
    struct hf_text document;
    struct hf_text page;

    assert_ok(hf_evidence_open(directory, &evidence, &error));
    hf_evidence_free(evidence);
    assert_ok(hf_evidence_open_at(directory, 0, &evidence, &error));
    {
        uint64_t finished = evidence->finished.sequence;

        hf_evidence_free(evidence);
        assert_ok(hf_evidence_open_at(directory, finished, &evidence, &error));
    }
    assert_ok(hf_certificate_document(evidence, group, &document, &error));
    assert_ok(hf_certificate_html(&document, "certificate-of-this.json", &page, &error));
    write_page(&page, group == HF_GROUP_ALL ? "certificate-machine" : "certificate-group", groups, kind);
    hf_text_release(&document);
    hf_evidence_free(evidence);
}

static void write_run(struct night night, const char *kind)
{
    char directory[PATH_MAX];
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;
    struct hf_text page;

    scratch_make(directory);
    night_write(&night, directory);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    assert_ok(hf_report_html(evidence, night.factor > 0 ? night.true_limit : NULL, &page, &error));
    write_page(&page, "report", night.groups, kind);
    if (night.stop_after == 0) {
        assert_true(night.finished);
        if (night.groups == 4 || kind[0] != '\0') /* it does not depend on how many others there are */
            write_certificate(directory, 0, night.groups, kind);
        write_certificate(directory, HF_GROUP_ALL, night.groups, kind);
    }
    hf_evidence_free(evidence);
    scratch_remove(directory);
}

#define RUNS_MAX 12

static void write_comparison(int groups)
{
    static const double voltages[] = {1150, 1175, 1200, 1125};
    static const double shifts[] = {0, 2.2, 4.1, -2};
    char directories[RUNS_MAX][PATH_MAX];
    const char *names[RUNS_MAX];
    struct hf_compare *compare = NULL;
    struct hf_error error = {0};
    struct hf_text page;
    int count = 0;

    for (int i = 0; i < 8; i++) {
        static const char *const machines[] = {"plover", "dunlin", "whimbrel"};
        int own = i < 4;
        struct night night = {.groups = groups,
                              .seed = 5,
                              .play_seed = (uint64_t)i + 1,
                              .soak_hours = 2,
                              .factor = 600,
                              .day = i,
                              .voltage_mv = own ? voltages[i] : 1150,
                              .theta_shift = own      ? shifts[i]
                                             : i == 7 ? -9
                                                      : 0,
                              .microcode = i >= 2 ? "0xa601209" : NULL,
                              .name = i > 4 ? machines[i - 5] : NULL,
                              .stop_after = i == 4 ? 10 : 0};

        scratch_make(directories[count]);
        night_write(&night, directories[count]);
        names[count] = directories[count];
        count++;
    }
    assert_ok(hf_compare_open(names, count, &compare, &error));
    assert_ok(hf_compare_html(compare, &page, &error));
    write_page(&page, "comparison", groups, "");
    hf_compare_free(compare);
    for (int i = 0; i < count; i++)
        scratch_remove(directories[i]);
}

int main(int argc, char **argv)
{
    static const int sizes[] = {2, 4, 8, 32};

    if (argc != 2) {
        fprintf(stderr, "usage: %s FOLDER\n", argv[0]);
        return 2;
    }
    folder = argv[1];
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++)
        write_run((struct night){.groups = sizes[i], .seed = 5, .soak_hours = 6, .factor = 600}, "");
    write_run((struct night){.groups = 4, .seed = 8, .soak_hours = 6, .factor = 600, .stop_after = 30},
              "unfinished");
    write_run((struct night){.groups = 3, .seed = 8, .soak_hours = 6, .factor = 600, .stop_after = -1},
              "empty");
    write_run((struct night){.groups = 2, .seed = 11, .soak_hours = 1}, "sheet");
    write_run((struct night){.groups = 12, .seed = 11, .soak_hours = 1}, "sheet"); /* two packages on the map */
    write_comparison(4);
    write_comparison(32);
    return 0;
}
