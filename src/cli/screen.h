/* The live view of `search` on a terminal: what holdfast/live.h draws, fed by the supervisor and the journal.
 */
#ifndef HOLDFAST_CLI_SCREEN_H
#define HOLDFAST_CLI_SCREEN_H

#include "harness/view.h"
#include "holdfast/plan.h"
#include "holdfast/profile.h"

struct hf_screen;

/* NULL when standard output is no terminal that can show it (or memory is short): print lines instead. */
struct hf_screen *hf_screen_new(void);
/* The machine whose groups are shown; before the first hf_screen_show(). It must outlive the screen. */
void hf_screen_use(struct hf_screen *screen, const struct hf_profile *profile);
void hf_screen_free(struct hf_screen *screen); /* NULL is allowed; the last frame stays */

/* Every event of the journal, old and new. */
void hf_screen_observe(struct hf_screen *screen, const struct hf_event *event);

/* A line of the log. */
void hf_screen_say(struct hf_screen *screen, const char *line);

/* Draws. plan: how long it will take. */
void hf_screen_show(struct hf_screen *screen, const struct hf_supervisor_view *view,
                    const struct hf_plan *plan);

/* Draws once more, with what was said since; the frame stays, and what is printed next comes below it. */
void hf_screen_end(struct hf_screen *screen);

#endif
