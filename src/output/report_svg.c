/*
 * The plots as files of their own: each stands alone, with the style sheet of the pages and the shapes of the
 * marks, in light and dark.
 *
 * Files: map.svg, night.svg, temperature.svg and clock.svg (when measured), and for each group
 * ladder-NAME.svg and faults-NAME.svg; anything but letters, digits, '.', '_' and '-' in the name becomes
 * %XX.
 */
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "base/memory.h"
#include "output/page.h"
#include "output/plot.h"
#include "output/report.h"

#define MARKS_MAX 2000

/* The drawing begins with <svg viewBox="0 0 W H": its size becomes the file's. */
static int write_drawing(const struct hf_text *drawing, const char *directory, const char *name,
                         struct hf_error *error)
{
    double width;
    double height;
    char path[PATH_MAX];
    struct hf_text file;

    if (sscanf(drawing->bytes, "<svg viewBox=\"0 0 %lf %lf\"", &width, &height) != 2 || drawing->overflowed)
        return hf_fail(error, HF_E_FULL, "the plot %s is larger than %d bytes", name, HF_REPORT_BYTES_MAX);
    if (snprintf(path, sizeof path, "%s/%s.svg", directory, name) >= (int)sizeof path)
        return hf_fail(error, HF_E_INPUT, "the path %.60s... is too long", directory);
    hf_text_init(&file, 2 * HF_REPORT_BYTES_MAX);
    hf_text_addf(&file,
                 "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%.0f\" height=\"%.0f\" "
                 "viewBox=\"-8 -8 %.0f %.0f\" class=\"alone\"><style>\n",
                 width + 16, height + 16, width + 16, height + 16);
    hf_text_add_string(&file, hf_plot_style);
    hf_text_add_string(&file,
                       "</style><rect class=\"sheet\" x=\"-8\" y=\"-8\" width=\"100%\" height=\"100%\"/>\n");
    hf_plot_shapes(&file);
    /* within a drawing the size is the viewBox's */
    hf_text_addf(&file, "<svg width=\"%.0f\" height=\"%.0f\" ", width, height);
    hf_text_add_string(&file, drawing->bytes + strlen("<svg "));
    hf_text_add_string(&file, "</svg>\n");
    (void)hf_text_write_file(&file, path, error);
    hf_text_release(&file);
    return error->code;
}

static int write_whole(const struct report_facts *facts, const char *directory, struct hf_text *drawing,
                       struct hf_error *error)
{
    report_plot_map(drawing, facts, 1);
    if (write_drawing(drawing, directory, "map", error) != HF_OK)
        return error->code;
    hf_text_clear(drawing);
    report_plot_night(drawing, facts, 1);
    if (write_drawing(drawing, directory, "night", error) != HF_OK)
        return error->code;
    hf_text_clear(drawing);
    if (report_plot_heat(drawing, facts, 1) > 0 &&
        write_drawing(drawing, directory, "temperature", error) != HF_OK)
        return error->code;
    hf_text_clear(drawing);
    if (report_plot_clock(drawing, facts, 1) > 0)
        (void)write_drawing(drawing, directory, "clock", error);
    return error->code;
}

static int write_group(const struct report_facts *facts, int group, const char *directory,
                       struct hf_text *drawing, struct hf_error *error)
{
    char file[128];
    char name[160];
    const char *own;

    hf_certificate_file_name(facts->evidence, group, file); /* certificate-NAME.json */
    own = file + strlen("certificate-");
    file[strlen(file) - strlen(".json")] = '\0';
    hf_text_clear(drawing);
    report_plot_ladder(drawing, facts, group, MARKS_MAX, 1);
    (void)snprintf(name, sizeof name, "ladder-%s", own);
    if (write_drawing(drawing, directory, name, error) != HF_OK)
        return error->code;
    hf_text_clear(drawing);
    report_plot_faults(drawing, facts, group, MARKS_MAX, 1);
    (void)snprintf(name, sizeof name, "faults-%s", own);
    return write_drawing(drawing, directory, name, error);
}

int hf_report_svg(const struct hf_evidence *evidence, const int *true_limit, const char *directory,
                  struct hf_error *error)
{
    struct report_facts *facts;
    struct hf_text drawing;

    if (mkdir(directory, 0777) != 0 && errno != EEXIST)
        return hf_fail(error, HF_E_IO, "cannot make %s: %s", directory, strerror(errno));
    facts = report_facts_new(evidence, true_limit);
    if (facts == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the plots");
    hf_text_init(&drawing, HF_REPORT_BYTES_MAX);
    (void)write_whole(facts, directory, &drawing, error);
    for (int group = 0; error->code == HF_OK && group < facts->profile->group_count; group++) {
        if (!facts->profile->group[group].left_out)
            (void)write_group(facts, group, directory, &drawing, error);
    }
    hf_text_release(&drawing);
    hf_free(facts);
    return error->code;
}
