/* What the files of the report's page share: report_html.c (head, what was shown, the whole), report_groups.c
 * (groups and pictures) and report_tables.c (failures, kernels, boots, conditions). */
#ifndef HOLDFAST_OUTPUT_REPORT_PAGE_H
#define HOLDFAST_OUTPUT_REPORT_PAGE_H

#include "output/page.h"
#include "output/report.h"

struct report_page {
    struct hf_page base;
    const struct report_facts *facts;
    struct report_budget budget;
};

void report_page_groups(struct report_page *page);
void report_page_pictures(struct report_page *page);
void report_page_night(struct report_page *page);
void report_page_failures(struct report_page *page);
void report_page_kernels(struct report_page *page);
void report_page_boots(struct report_page *page);
void report_page_conditions(struct report_page *page);

#endif
