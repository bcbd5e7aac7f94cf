/* The small plotting module: ticks, scales, labels, colours. The labels of drawn axes are read back from the
 * SVG and checked for touching one another. */
#include "output_fixture.h"

#include <ctype.h>

#include "output/output_private.h"
#include "output/plot.h"

#define LABELS_MAX 400

struct label {
    double x, y, width;
    char anchor;
    char words[40];
};

/* The words of a drawing that stand upright, with an estimate of their width: 6.1 pixels a letter is the mean
 * of a common sans-serif face at 11 pixels. */
static int labels_of(const char *svg, struct label *ret_labels)
{
    int count = 0;

    for (const char *at = svg; (at = strstr(at, "<text x=\"")) != NULL; at++) {
        struct label *label = &ret_labels[count++];
        char anchor[16];

        assert_true(count < LABELS_MAX);
        assert_int_equal(
            sscanf(at, "<text x=\"%lf\" y=\"%lf\" text-anchor=\"%15[a-z]\"", &label->x, &label->y, anchor),
            3);
        label->anchor = anchor[0];
        assert_int_equal(sscanf(strchr(at, '>') + 1, "%39[^<]", label->words), 1);
        label->width = 6.1 * (double)strlen(label->words);
        label->x -= anchor[0] == 'm' ? label->width / 2 : anchor[0] == 'e' ? label->width : 0;
    }
    return count;
}

static void check_apart(const char *svg, double width, double height, const char *what)
{
    static struct label labels[LABELS_MAX];
    int count = labels_of(svg, labels);

    for (int i = 0; i < count; i++) {
        if (labels[i].x < -1 || labels[i].x + labels[i].width > width + 1 || labels[i].y < 6 ||
            labels[i].y > height)
            fail_msg("%s: \"%s\" at %g %g is outside %g x %g", what, labels[i].words, labels[i].x,
                     labels[i].y, width, height);
        for (int k = 0; k < i; k++) {
            if (fabs(labels[i].y - labels[k].y) < 9 && labels[i].x < labels[k].x + labels[k].width &&
                labels[k].x < labels[i].x + labels[i].width)
                fail_msg("%s: \"%s\" is on \"%s\"", what, labels[i].words, labels[k].words);
        }
    }
}

static void axes(const struct hf_plot_size *size, struct hf_axis x, struct hf_axis y, struct hf_text *text)
{
    struct hf_plot plot;

    hf_text_clear(text);
    hf_plot_open(&plot, text, 1, size, &x, &y, "title", "description");
    hf_plot_axes(&plot);
    hf_plot_close(&plot);
}

/* Ranges and sizes of many kinds: at least two ticks, none on another, all inside. */
static void ticks_never_touch(void **state)
{
    static const enum hf_tick_kind kinds[] = {HF_TICKS_NUMBER, HF_TICKS_WHOLE, HF_TICKS_HOURS,
                                              HF_TICKS_DURATION};
    static struct label labels[LABELS_MAX];
    struct hf_text text;
    char what[80];

    (void)state;
    hf_text_init(&text, 1 << 20);
    for (double span = 0.02; span < 4e6; span *= 2.3) {
        for (size_t kind = 0; kind < 4; kind++) {
            for (double width = 240; width < 1000; width += 190) {
                struct hf_plot_size size = {width, width * 0.6, 64, 24, 14, 44};
                int log_scale = kinds[kind] == HF_TICKS_DURATION;
                double low = log_scale ? 0.4 : 33.7;
                struct hf_axis axis = {log_scale ? HF_SCALE_LOG : HF_SCALE_LINEAR, kinds[kind], low,
                                       low + span, "x"};

                if ((kinds[kind] == HF_TICKS_WHOLE && span < 2) ||
                    (kinds[kind] == HF_TICKS_HOURS && span < 100) || (log_scale && span < 20))
                    continue;
                axes(&size, axis, axis, &text);
                (void)snprintf(what, sizeof what, "kind %zu, span %g, width %g", kind, span, width);
                check_apart(text.bytes, width, width * 0.6, what);
                if (labels_of(text.bytes, labels) < 2 * 2 + 1)
                    fail_msg("%s: too few ticks", what);
            }
        }
    }
    hf_text_release(&text);
}

/* Ticks of numbers are round: 1, 2, 2.5 or 5 times a power of ten apart; of counts, whole. */
static void ticks_are_round(void **state)
{
    static struct label labels[LABELS_MAX];
    struct hf_plot_size size = {460, 320, 64, 12, 14, 44};
    struct hf_axis none = {HF_SCALE_LINEAR, HF_TICKS_NONE, 0, 1, NULL};
    struct hf_text text;

    (void)state;
    hf_text_init(&text, 1 << 20);
    for (double span = 2; span < 1e5; span *= 1.37) {
        int count;

        axes(&size, (struct hf_axis){HF_SCALE_LINEAR, HF_TICKS_WHOLE, 0, span, NULL}, none, &text);
        count = labels_of(text.bytes, labels);
        assert_true(count >= 2);
        for (int i = 0; i < count; i++) {
            double value = strtod(labels[i].words, NULL);

            if (value != floor(value))
                fail_msg("span %g: tick %s", span, labels[i].words);
        }
        {
            double step = strtod(labels[1].words, NULL) - strtod(labels[0].words, NULL);
            double digits = step / pow(10, floor(log10(step) + 1e-9));

            if (fabs(digits - 1) > 1e-6 && fabs(digits - 2) > 1e-6 && fabs(digits - 2.5) > 1e-6 &&
                fabs(digits - 5) > 1e-6)
                fail_msg("span %g: ticks are %g apart", span, step);
        }
    }
    axes(&size, (struct hf_axis){HF_SCALE_LOG, HF_TICKS_DURATION, 0.4, 1e7, NULL}, none, &text);
    assert_non_null(strstr(text.bytes, ">1 min<"));
    assert_non_null(strstr(text.bytes, ">1 h<"));
    hf_text_release(&text);
}

static void labels_are_spread(void **state)
{
    double near[] = {50, 52, 51, 10, 90};
    double crowd[32];

    (void)state;
    hf_plot_spread(near, 5, 13, 0, 100);
    assert_true(near[3] == 10 && near[4] == 90); /* those with room stay */
    assert_true(near[2] - near[0] >= 13 - 1e-9 && near[1] - near[2] >= 13 - 1e-9);
    for (int i = 0; i < 32; i++)
        crowd[i] = 99 - i % 3;
    hf_plot_spread(crowd, 32, 13, 8, 316);
    for (int i = 0; i < 32; i++) {
        assert_true(crowd[i] >= 8 - 1e-9 && crowd[i] <= 316 + 1e-9);
        for (int k = 0; k < i; k++)
            assert_true(fabs(crowd[i] - crowd[k]) >= 308.0 / 31 - 1e-6); /* no room for 13: evenly */
    }
    hf_plot_spread(crowd, 1, 13, 8, 316);
    hf_plot_spread(crowd, 0, 13, 8, 316);
}

/* The pictures of whole nights: at 2, 8 and 32 groups no label touches another. */
static void reports_of_all_sizes(void **state)
{
    static const int sizes[] = {2, 8, 32};

    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct night night = {
            .groups = sizes[i], .seed = 5, .soak_hours = 6, .factor = 600, .stop_after = 150};
        char directory[PATH_MAX];
        struct hf_error error = {0};
        struct hf_evidence *evidence = NULL;
        struct hf_text page;
        int drawings = 0;

        scratch_make(directory);
        night_write(&night, directory);
        assert_ok(hf_evidence_open(directory, &evidence, &error));
        assert_ok(hf_report_html(evidence, night.true_limit, &page, &error));
        for (char *at = page.bytes; (at = strstr(at, "<svg viewBox=")) != NULL;) {
            char *end = strstr(at, "</svg>");
            double width;
            double height;

            assert_non_null(end);
            assert_int_equal(sscanf(at, "<svg viewBox=\"0 0 %lf %lf\"", &width, &height), 2);
            assert_non_null(strstr(at, "<title id="));
            assert_non_null(strstr(at, "<desc id="));
            *end = '\0';
            if (strstr(at, "Map of") ==
                NULL) /* its words stand in boxes, which the browser's test looks at */
                check_apart(at, width, height, strstr(at, "<title"));
            drawings++;
            at = end + 1;
        }
        assert_int_equal(drawings, 2 * sizes[i] + 4);
        hf_text_release(&page);
        hf_evidence_free(evidence);
        scratch_remove(directory);
    }
}

/* The checker finds what it is there to find. */
static void planted_labels_are_found(void **state)
{
    static struct label labels[LABELS_MAX];
    const char *svg = "<text x=\"10\" y=\"20\" text-anchor=\"start\" class=\"tick\">first</text>"
                      "<text x=\"35\" y=\"22\" text-anchor=\"middle\" class=\"tick\">second</text>";

    (void)state;
    assert_int_equal(labels_of(svg, labels), 2);
    assert_true(labels[1].x < labels[0].x + labels[0].width);
    assert_true(fabs(labels[0].y - labels[1].y) < 9);
}

/* WCAG 2.1 contrast: white on #707070 has 4.95, black 4.24; on #808080 white 3.95, black 5.32 (from its
 * formula). */
static void ink_can_be_read(void **state)
{
    static const int white[3] = {255, 255, 255};
    static const int black[3] = {0, 0, 0};
    static const int grey[3] = {0x70, 0x70, 0x70};
    static const int pale[3] = {0x80, 0x80, 0x80};

    (void)state;
    assert_string_equal(hf_plot_ink(white), "#000000");
    assert_string_equal(hf_plot_ink(black), "#ffffff");
    assert_string_equal(hf_plot_ink(grey), "#ffffff");
    assert_string_equal(hf_plot_ink(pale), "#000000");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ticks_never_touch),        cmocka_unit_test(ticks_are_round),
        cmocka_unit_test(labels_are_spread),        cmocka_unit_test(reports_of_all_sizes),
        cmocka_unit_test(planted_labels_are_found), cmocka_unit_test(ink_can_be_read),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
