/* Teams: see team.h. */
#include "workloads/team.h"

#include <assert.h>
#include <stddef.h>

_Thread_local struct hf_team_place hf_team_places[HF_SCOPES];

/* A pair of one: what is written there nobody reads. */
static _Thread_local struct hf_team_pair empty_pairs[HF_SCOPES];

static int partner_in(enum hf_scope scope, const int *group, const int *rank, int count, int worker)
{
    int wanted_group = scope == HF_SCOPE_GROUP ? group[worker] : group[worker] ^ 1;
    int wanted_rank = scope == HF_SCOPE_GROUP ? rank[worker] ^ 1 : rank[worker];

    for (int i = 0; i < count; i++) {
        if (group[i] == wanted_group && rank[i] == wanted_rank)
            return i;
    }
    return -1;
}

int hf_team_plan(const int *group, const int *rank, int count, struct hf_team_seat (*ret_seats)[HF_SCOPES])
{
    int pairs = 0;

    for (int scope = 0; scope < HF_SCOPES; scope++) {
        for (int i = 0; i < count; i++) {
            int partner = partner_in((enum hf_scope)scope, group, rank, count, i);

            assert(partner != i);
            ret_seats[i][scope] = (struct hf_team_seat){.pair = -1, .partner = partner};
            if (partner < 0)
                continue;
            ret_seats[i][scope].side = partner < i;
            ret_seats[i][scope].pair = partner < i ? ret_seats[partner][scope].pair : pairs++;
        }
    }
    assert(pairs <= count);
    return pairs;
}

/* A worker that died with the lock in its hand left the guarded words in any state. */
static void free_own_lock(struct hf_team_pair *pair, int side)
{
    if (atomic_load(&pair->lock) != 1 + (uint64_t)side)
        return;
    atomic_store(&pair->holder, 0);
    atomic_store(&pair->lock, 0);
}

void hf_team_join(enum hf_scope scope, struct hf_team_pair *pair, int side)
{
    assert(side == 0 || side == 1);
    hf_team_places[scope] = (struct hf_team_place){.pair = pair, .side = side, .alone = pair == NULL};
    if (pair == NULL) {
        hf_team_places[scope].pair = &empty_pairs[scope];
        return;
    }
    free_own_lock(pair, side);
    atomic_store(&pair->side[side].number, 0); /* half written, perhaps */
}
