/*
 * A program of somebody else, built against the installed library: something of each layer, against answers that do
 * not come from it. Prints the first thing that is wrong.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <holdfast/checksum.h>
#include <holdfast/evidence.h>
#include <holdfast/json.h>
#include <holdfast/kernel.h>
#include <holdfast/profile.h>
#include <holdfast/rehearse.h>
#include <holdfast/sensors.h>
#include <holdfast/statistics.h>
#include <holdfast/topology.h>

static int failures;

static void expect(int holds, const char *what)
{
    if (holds)
        return;
    printf("wrong: %s\n", what);
    failures++;
}

/* CRC-32C's check value of "123456789" is from memory (catalogues of checksums); SHA-256 of "abc": FIPS 180-4's example. */
static void check_base(void)
{
    static const char abc[] = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    struct hf_sha256 sha;
    char hex[HF_SHA256_HEX];

    expect(hf_crc32c(0, "123456789", 9) == 0xe3069283u, "CRC-32C of 123456789");
    hf_sha256_init(&sha);
    hf_sha256_update(&sha, "abc", 3);
    hf_sha256_finish(&sha, hex);
    expect(strcmp(hex, abc) == 0, "SHA-256 of abc");
}

/* No fault in T excludes, with confidence C, a rate above -ln(1 - C) / T: the Poisson law. */
static void check_plan(void)
{
    expect(fabs(hf_rate_upper_limit(0, 2, 0.95) - -log(0.05) / 2) < 1e-9, "upper limit without a fault");
}

static void check_profile(const char *path)
{
    struct hf_error error = {0};
    struct hf_profile *profile = NULL;

    expect(hf_profile_read(path, &profile, &error) == HF_OK, "reading the installed profile");
    if (profile == NULL) {
        printf("%s\n", error.message);
        return;
    }
    expect(strcmp(profile->name, "heron") == 0 && profile->group_count == 4, "what the profile says");
    hf_profile_free(profile);
    expect(hf_profile_read("/nonexistent/profile.json", &profile, &error) != HF_OK && error.message[0] != '\0',
           "a profile that is not there");
}

/* A wrong bit is found; the section that holds the kernels is found too, wherever the library was loaded. */
static void check_kernel(void)
{
    const struct hf_kernel *kernel = hf_kernel_reference("fma-residue", 512);
    void *state = kernel != NULL ? aligned_alloc(64, kernel->state_bytes) : NULL;

    expect(state != NULL, "a kernel and its state");
    if (state == NULL)
        return;
    expect(hf_kernel_proof(kernel, state, 1, 77) == 1, "a planted wrong bit is reported");
    expect(hf_kernel_owns_address((const void *)(size_t)kernel->advance), "the kernel lies among the kernels");
    expect(!hf_kernel_owns_address((const void *)(size_t)check_kernel), "this program does not");
    free(state);
}

static void check_machine(void)
{
    struct hf_error error = {0};
    struct hf_topology *topology = NULL;

    expect(hf_topology_new(NULL, &topology, &error) == HF_OK, "this machine's topology");
    if (topology == NULL)
        printf("%s\n", error.message);
    hf_topology_free(topology);
}

/* A whole night in virtual time: rig, plan and harness. */
static void check_night(void)
{
    struct hf_rehearse_options options = {.rigs = 1, .seed = 3, .groups = 2, .cores = 2};
    struct hf_rehearse_result result;
    struct hf_error error = {0};

    expect(hf_rehearse(&options, &result, &error) == HF_OK, "a rehearsed night");
    expect(result.rigs == 1 && result.undecided == 0 && result.hours_median > 0, "what the night says");
}

int main(int argc, char **argv)
{
    if (argc != 2)
        return 2;
    check_base();
    check_plan();
    check_profile(argv[1]);
    check_kernel();
    check_machine();
    check_night();
    printf("%d wrong\n", failures);
    return failures != 0;
}
