/* The loop, lent to whoever has something to do on it while the run goes on (hf_supervisor_options). */
#include "harness/supervisor_private.h"

void hf_supervisor_lend_loop(struct hf_supervisor *s)
{
    if (s->options->loop_begin == NULL || s->phase == HF_PHASE_ENDING)
        return;
    s->loop_lent = 1;
    s->options->loop_begin(s->options->loop_context, &s->loop);
}

void hf_supervisor_take_loop_back(struct hf_supervisor *s)
{
    if (!s->loop_lent)
        return;
    s->loop_lent = 0;
    s->options->loop_end(s->options->loop_context);
}
