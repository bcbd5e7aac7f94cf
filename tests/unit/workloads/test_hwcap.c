/* aarch64: what the kernel's word of hardware capabilities allows. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "holdfast/kernel.h"
#include "workloads/features.h"

/* Bits of AT_HWCAP: Linux, arch/arm64/include/uapi/asm/hwcap.h. */
#define FP    (UINT64_C(1) << 0)
#define ASIMD (UINT64_C(1) << 1)
#define AES   (UINT64_C(1) << 3)
#define PMULL (UINT64_C(1) << 4)
#define SHA1  (UINT64_C(1) << 5)
#define SHA2  (UINT64_C(1) << 6)
#define CRC32 (UINT64_C(1) << 7)

static void test_words(void **unused)
{
    (void)unused;
    assert_int_equal(hf_features_of_hwcap(0), 0);
    assert_int_equal(hf_features_of_hwcap(FP), 0);
    assert_int_equal(hf_features_of_hwcap(FP | ASIMD), HF_FEATURE_ASIMD);
    assert_int_equal(hf_features_of_hwcap(FP | ASIMD | AES), HF_FEATURE_ASIMD); /* no carry-less multiply */
    assert_int_equal(hf_features_of_hwcap(FP | ASIMD | PMULL), HF_FEATURE_ASIMD);
    assert_int_equal(hf_features_of_hwcap(FP | ASIMD | AES | PMULL), HF_FEATURE_ASIMD | HF_FEATURE_ARM_AES);
    assert_int_equal(hf_features_of_hwcap(FP | ASIMD | SHA1), HF_FEATURE_ASIMD);
    assert_int_equal(hf_features_of_hwcap(FP | ASIMD | SHA2), HF_FEATURE_ASIMD | HF_FEATURE_ARM_SHA2);
    assert_int_equal(hf_features_of_hwcap(FP | ASIMD | CRC32), HF_FEATURE_ASIMD | HF_FEATURE_ARM_CRC32);
    assert_int_equal(hf_features_of_hwcap(AES | PMULL | SHA2 | CRC32), 0); /* no vector registers */
}

/* Features of the two architectures share no bit, and none of the other one is found here. */
static void test_here(void **unused)
{
    const unsigned arm = HF_FEATURE_ASIMD | HF_FEATURE_ARM_AES | HF_FEATURE_ARM_SHA2 | HF_FEATURE_ARM_CRC32;
    unsigned here = hf_features_here();

    (void)unused;
#if defined(__aarch64__)
    assert_int_equal(here & ~arm, 0);
    assert_true((here & HF_FEATURE_ASIMD) != 0); /* every Linux for aarch64 has it */
    assert_string_equal(hf_kernel_find("fma-residue", 128)->isa, "asimd");
    assert_int_equal(hf_kernel_is_native(hf_kernel_index("fma-residue", 128)), 1);
    assert_int_equal(hf_kernel_is_native(hf_kernel_index("fma-residue", 512)), 0);
#else
    assert_int_equal(here & arm, 0);
#endif
    assert_int_equal(hf_kernel_is_native(hf_kernel_index("branch", 64)), 1);
}

/* The list of a line's entries: the reference first, all of one kernel and width, the chosen one last. */
static void test_entries(void **unused)
{
    (void)unused;
    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *entry[HF_KERNEL_ENTRIES_MAX];
        int count = hf_kernel_entries(i, entry);

        assert_true(count >= 1 && count <= HF_KERNEL_ENTRIES_MAX);
        assert_ptr_equal(entry[0], hf_kernel_reference(entry[0]->name, entry[0]->width_bits));
        assert_ptr_equal(entry[count - 1], hf_kernel_at(i));
        for (int e = 0; e < count; e++) {
            assert_string_equal(entry[e]->name, entry[0]->name);
            assert_int_equal(entry[e]->width_bits, entry[0]->width_bits);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_words),
        cmocka_unit_test(test_here),
        cmocka_unit_test(test_entries),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
