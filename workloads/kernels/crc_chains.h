/*
 * The body of an entry of crc by instruction: ten chains hide its latency of three cycles, where up to three
 * begin in one. The including file defines CRC_OF(crc, word), the CRC-32C of eight more bytes, and the entry.
 */
#define EACH_CHAIN(statement)                                                                                \
    HF_UNROLL                                                                                                \
    for (int c = 0; c < HF_CRC_CHAINS; c++)                                                                  \
    statement

HF_INLINE void load(uint64_t crc[HF_CRC_CHAINS], const uint64_t *words)
{
    EACH_CHAIN(crc[c] = (uint32_t)(words[c / 2] >> 32 * (c % 2)));
}

HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    const uint64_t *constants = &state->word[HF_CRC_MOVING * (HF_STEERED_STATIONS + 1)];
    uint64_t position = state->position;
    uint64_t crc[HF_CRC_CHAINS];
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    load(crc, state->word);
    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, HF_CRC_MOVING, position);
        const uint64_t *block = HF_CRC_BLOCK_AT(constants, position);

        HF_UNROLL
        for (int w = 0; w < HF_CRC_WORDS; w++)
            EACH_CHAIN(crc[c] = CRC_OF(crc[c], block[w * HF_CRC_CHAINS + c]));
        EACH_CHAIN(crc[c] ^= ((const uint32_t *)(const void *)steer)[c]);
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    HF_UNROLL
    for (int i = 0; i < HF_CRC_MOVING; i++)
        state->word[i] = crc[2 * i + 1] << 32 | (uint32_t)crc[2 * i];
    HF_REREAD_MEMORY();
    state->flaw |= (up ^ steps) | down | ((state->position + steps) ^ position);
    state->position = position;
}

/* Independent instructions and nothing else. */
#define LIMIT_CHAINS 12

static uint64_t limit_loop(uint64_t rounds)
{
    uint64_t crc[LIMIT_CHAINS];
    uint64_t word = 0x3141592653589793;

    for (int i = 0; i < LIMIT_CHAINS; i++)
        crc[i] = (uint64_t)i;
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int turn = 0; turn < 8; turn++) {
            HF_UNROLL
            for (int i = 0; i < LIMIT_CHAINS; i++) {
                HF_OPAQUE(word);
                crc[i] = CRC_OF(crc[i], word);
            }
        }
    }
    for (int i = 0; i < LIMIT_CHAINS; i++)
        HF_OPAQUE(crc[i]);
    return rounds * 8 * LIMIT_CHAINS;
}
