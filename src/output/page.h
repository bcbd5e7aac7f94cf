/*
 * Pages: what the certificate, the report and the comparison share. A page needs nothing but itself: no
 * script, no font, no network; it reads on a dark screen, on a light one and on paper. Colours are of the set
 * by Okabe and Ito (2008), which survives colour-blindness, and what they tell is told by shape or words
 * besides.
 *
 * Calling order: hf_page_init(), hf_page_open(), parts, hf_page_close(), hf_page_release(). When a page grew
 * beyond the maximum of its text, text->overflowed says so at the end.
 *
 * Every string that comes from a profile or a journal goes through hf_page_words() or the scratch text, which
 * escape it; hf_page_add() takes markup that is written here.
 */
#ifndef HOLDFAST_OUTPUT_PAGE_H
#define HOLDFAST_OUTPUT_PAGE_H

#include "output/output_private.h"

struct hf_page {
    struct hf_text *text;
    struct hf_text scratch; /* empty between uses */
    int plots;              /* drawn so far: numbers make ids unique */
};

void hf_page_init(struct hf_page *page, struct hf_text *text);
void hf_page_release(struct hf_page *page); /* the text is the caller's */

/* Head up to and with <main>; more_style (may be NULL) follows the shared style sheet. `about` (may be NULL)
 * is kept in a meta element of that name, for programs. */
void hf_page_open(struct hf_page *page, const char *title, const char *more_style, const char *about);
void hf_page_close(struct hf_page *page);

void hf_page_add(struct hf_page *page, const char *markup);
void hf_page_words(struct hf_page *page, const char *words);
void hf_page_scratch(struct hf_page *page); /* the scratch text, escaped; clears it */

/* <p class="warn"> with the scratch text; nothing when it is empty. */
void hf_page_warning(struct hf_page *page);

/* `markup` opens the cell; it is closed here. */
void hf_page_cell(struct hf_page *page, const char *markup, const char *words);
void hf_page_scratch_cell(struct hf_page *page, const char *markup);
void hf_page_number_cell(struct hf_page *page, const char *format, double value); /* "-" for NAN */

/* <dt> and <dd>; nothing when there are no words. */
void hf_page_fact(struct hf_page *page, const char *name, const char *words);
void hf_page_number_fact(struct hf_page *page, const char *name, const char *format, double value);

/* Colours of all pages, light, dark and for paper, and the styles of plots: also for a plot in a file of its
 * own. */
extern const char hf_plot_style[];

#endif
