/*
 * The store of answers: see answers.h.
 *
 * Invariants:
 *   1. slots [first, first + count) of the ring of slots are in use, oldest first.
 *   2. Their words lie one after the other in the ring of words, each in one piece, in the order of the
 * slots: the free room is what lies between the newest's end and the oldest's begin.
 *   3. checksum is that of the words as they were worked out.
 */
#include "workloads/answers.h"

#include <assert.h>
#include <string.h>

#include "base/memory.h"
#include "holdfast/random.h"

#define TRIES 6

struct slot {
    struct hf_answer_key key;
    uint64_t checksum;
    int begin;
    int words;
};

struct store {
    int first;
    int count;
    struct slot slot[HF_ANSWERS_MAX];
    uint64_t word[HF_ANSWERS_WORDS];
};

static _Thread_local struct store *store;
static _Thread_local struct hf_answers_doubts doubts;

/* Any one wrong word moves it: each is multiplied by an odd number and added. */
static uint64_t checksum_of(const uint64_t *words, int count)
{
    uint64_t sum = (uint64_t)count;
    uint64_t weight = 1;

    for (int i = 0; i < count; i++) {
        sum += words[i] * weight;
        weight += UINT64_C(0x9e3779b97f4a7c16); /* even: weights stay odd */
    }
    return sum;
}

static int same_key(const struct hf_answer_key *left, const struct hf_answer_key *right)
{
    uint64_t difference = (uint64_t)(left->compute != right->compute);

    for (int i = 0; i < HF_ANSWER_PARAMETERS; i++)
        difference |= left->parameter[i] ^ right->parameter[i];
    return difference == 0;
}

static struct slot *slot_at(int rank)
{
    return &store->slot[(store->first + rank) % HF_ANSWERS_MAX];
}

/* The newest of that key: an older, damaged one may lie behind it. */
static struct slot *slot_of(const struct hf_answer_key *key)
{
    for (int rank = store != NULL ? store->count : 0; rank-- > 0;) {
        if (same_key(&slot_at(rank)->key, key))
            return slot_at(rank);
    }
    return NULL;
}

/* --- keeping --- */

/* Where `words` words fit in one piece behind the newest slot, -1 when the oldest must go first. */
static int room_for(int words)
{
    const struct slot *oldest, *newest;
    int end;

    if (store->count == 0)
        return 0;
    if (store->count == HF_ANSWERS_MAX)
        return -1;
    oldest = slot_at(0);
    newest = slot_at(store->count - 1);
    end = newest->begin + newest->words;
    if (newest->begin < oldest->begin)
        return end + words <= oldest->begin ? end : -1;
    if (end + words <= HF_ANSWERS_WORDS)
        return end;
    return words <= oldest->begin ? 0 : -1;
}

static void keep(const struct hf_answer_key *key, const uint64_t *words, int count)
{
    struct slot *slot;
    int begin;

    if (store == NULL)
        store = hf_allocate(1, sizeof *store);
    if (store == NULL)
        return;
    while ((begin = room_for(count)) < 0) {
        store->first = (store->first + 1) % HF_ANSWERS_MAX;
        store->count--;
    }
    assert(begin + count <= HF_ANSWERS_WORDS && store->count < HF_ANSWERS_MAX);
    memcpy(&store->word[begin], words, (size_t)count * sizeof words[0]);
    slot = slot_at(store->count++);
    *slot = (struct slot){.key = *key, .checksum = checksum_of(words, count), .begin = begin, .words = count};
}

/* --- working out --- */

static uint64_t worked_out(const struct hf_answer_key *key, int words, uint64_t *ret_words)
{
    key->compute(key->parameter, ret_words);
    return checksum_of(ret_words, words);
}

/* 1: two in a row agree. */
static int work_out(const struct hf_answer_key *key, int words, uint64_t *ret_words)
{
    uint64_t before = worked_out(key, words, ret_words);

    doubts.worked++;
    for (int i = 1; i < TRIES; i++) {
        uint64_t now = worked_out(key, words, ret_words);

        if (now == before)
            return 1;
        doubts.disagreed++;
        before = now;
    }
    return 0;
}

void hf_answer_get(const struct hf_answer_key *key, int words, uint64_t *ret_words)
{
    const struct slot *slot = slot_of(key);

    assert(key->compute != NULL && words > 0 && words <= HF_ANSWERS_WORDS / 2);
    if (slot != NULL) {
        assert(slot->words == words);
        memcpy(ret_words, &store->word[slot->begin], (size_t)words * sizeof ret_words[0]);
        if (checksum_of(ret_words, words) == slot->checksum)
            return;
        doubts.damaged++;
    }
    if (work_out(key, words, ret_words))
        keep(key, ret_words, words);
}

uint64_t hf_answer_variant(uint64_t seed)
{
    return hf_mix64(seed ^ UINT64_C(0x616e7377657273)) % HF_ANSWER_VARIANTS;
}

void hf_answers_drop(void)
{
    hf_free(store);
    store = NULL;
}

struct hf_answers_doubts hf_answers_doubts(void)
{
    return doubts;
}

int hf_answers_damage(const struct hf_answer_key *key, uint64_t bit)
{
    const struct slot *slot = slot_of(key);

    if (slot == NULL)
        return 0;
    store->word[slot->begin + (int)(bit / 64 % (uint64_t)slot->words)] ^= UINT64_C(1) << bit % 64;
    return 1;
}
