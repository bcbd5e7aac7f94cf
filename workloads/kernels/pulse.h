/*
 * pulse: the modular multiplication of fma-residue, cut into stages that can be let go one by one.
 *
 * What it is for: on-off load with a period of 5 to 100 ns (the first droop of a supply), too short for a
 * call or a clock in every cycle. A step is six stages; pulse() begins a pulse every so many stages, at the
 * beat of a metronome.
 *
 * The metronome is a chain of dependent additions of zero, one a cycle, that runs through the whole of
 * pulse(). Every stage uses a constant that the present value of the chain (always 0) is mixed into by
 * exclusive or: no core can begin the stage before the chain has got there, however far it runs ahead,
 * because the data is not there yet. Between the end of a pulse's work and the next beat only the additions
 * run. So the period is the length of the chain, in cycles of the core, as long as the work is shorter than
 * that.
 *
 * Words of a state: as fma-residue (lanes, multiplier, flaw). The answer does not depend on the beat.
 *
 * Nothing is forgotten: as fma-residue, whose header gives the proof. Beyond it: a wrong bit in the chain, or
 * in the zero that it adds, goes into the constants of the stages that follow and stays in the chain until
 * the end of the call, where it is added to the flaw word. A chain that is shorter or longer than it should
 * be changes no answer: it is a wrong period, and the pattern measures that.
 * Operand sets: what remains of them after the first steps is the multiplier (see fma_residue.h).
 */
#ifndef HOLDFAST_WORKLOADS_PULSE_H
#define HOLDFAST_WORKLOADS_PULSE_H

#include "workloads/kernels/fma_residue.h"
#include "workloads/kernels/kernel_code.h"

#define HF_PULSE_LANES_256 32
#define HF_PULSE_LANES_512 64
#define HF_PULSE_STAGES    6 /* multiply, q, round q, low part, subtract q p, add */

/* `turns` dependent additions of `zero` to `beat`: one a cycle. Two loops, so that the branch predictor
 * learns both counts. */
HF_INLINE uint64_t hf_pulse_wait(uint64_t beat, uint64_t zero, uint64_t turns)
{
    uint64_t eights = turns / 8;
    uint64_t ones = turns % 8;

    for (; eights != 0; eights--) {
        HF_UNROLL
        for (int i = 0; i < 8; i++) {
            beat += zero;
            HF_OPAQUE(beat);
        }
    }
    for (; ones != 0; ones--) {
        beat += zero;
        HF_OPAQUE(beat);
    }
    return beat;
}

#endif
