/* search --dry-run: what the driver would write where, without writing any of it. */
#ifndef HOLDFAST_CLI_DRY_RUN_H
#define HOLDFAST_CLI_DRY_RUN_H

/* Returns the exit status. root NULL: this machine; else a recorded one. */
int hf_dry_run(const char *profile_path, const char *root);

/* --root without --dry-run: a recorded machine cannot be driven. Returns the exit status. */
int hf_dry_run_refuse_root(const char *root);

#endif
