/*
 * The four entries of a memory kernel: one for each level. The including file defines
 *   LEVELLED(function)               its start, expect, locate and limit, which are told the level
 *   ENTRY_OF(label), NAME_OF("l1")   the entry's symbol and name
 *   LABEL(label)                     a prefix for the symbols made here
 *   LIMIT_OF("level 1")              what bounds it
 *   ENTRY_REST                       the other fields, the same at every level
 *   BURST_L1 ... BURST_MEMORY        steps of a natural burst
 */
#define LEVEL_NAME2(name, label) name##_##label
#define LEVEL_NAME1(name, label) LEVEL_NAME2(name, label)
#define LEVEL_NAME(name, label)  LEVEL_NAME1(name, LABEL(label))

#define LEVEL_ENTRY(label_, suffix_, words_, level_, burst_)                                                 \
    static uint64_t LEVEL_NAME(limit, label_)(uint64_t rounds)                                               \
    {                                                                                                        \
        return LEVELLED(limit)((level_), rounds);                                                            \
    }                                                                                                        \
    static void LEVEL_NAME(start, label_)(void *state, enum hf_operands operands, uint64_t seed)             \
    {                                                                                                        \
        LEVELLED(start)(state, (level_), operands, seed);                                                    \
    }                                                                                                        \
    static uint64_t LEVEL_NAME(expect, label_)(enum hf_operands operands, uint64_t seed, uint64_t steps)     \
    {                                                                                                        \
        return LEVELLED(expect)((level_), operands, seed, steps);                                            \
    }                                                                                                        \
    static void LEVEL_NAME(locate, label_)(const void *state, enum hf_operands operands, uint64_t seed,      \
                                           uint64_t steps, struct hf_lane_report *ret_report)                \
    {                                                                                                        \
        LEVELLED(locate)(state, (level_), operands, seed, steps, ret_report);                                \
    }                                                                                                        \
    extern const struct hf_kernel ENTRY_OF(label_);                                                          \
    const struct hf_kernel ENTRY_OF(label_) = {                                                              \
        .name = NAME_OF(suffix_),                                                                            \
        .level = (level_),                                                                                   \
        .burst_steps = (burst_),                                                                             \
        .limit = LIMIT_OF(words_),                                                                           \
        .limit_loop = LEVEL_NAME(limit, label_),                                                             \
        .start = LEVEL_NAME(start, label_),                                                                  \
        .expect = LEVEL_NAME(expect, label_),                                                                \
        .locate = LEVEL_NAME(locate, label_),                                                                \
        ENTRY_REST,                                                                                          \
    };

LEVEL_ENTRY(l1, "l1", "level 1", 1, BURST_L1)
LEVEL_ENTRY(l2, "l2", "level 2", 2, BURST_L2)
LEVEL_ENTRY(l3, "l3", "level 3", 3, BURST_L3)
LEVEL_ENTRY(memory, "memory", "memory", HF_LEVEL_MEMORY, BURST_MEMORY)

#undef LEVEL_ENTRY
#undef LEVEL_NAME
#undef LEVEL_NAME1
#undef LEVEL_NAME2
