/* A mix as the text of a mix file: what hf_mix_parse() reads back as the same mix. */
#ifndef HOLDFAST_HARNESS_MIX_WRITE_H
#define HOLDFAST_HARNESS_MIX_WRITE_H

#include "holdfast/mix.h"
#include "holdfast/text.h"

void hf_mix_write(const struct hf_mix *mix, struct hf_text *text);

#endif
