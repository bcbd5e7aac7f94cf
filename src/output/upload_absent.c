/* The uploader of a build without HOLDFAST_UPLOAD: it says so. The other one: upload.c. */
#include "holdfast/upload.h"

#ifndef HOLDFAST_UPLOAD

int hf_upload_is_built(void)
{
    return 0;
}

int hf_uploader_new(struct uv_loop_s *loop, struct hf_upload_queue *queue,
                    const struct hf_upload_options *options, struct hf_uploader **ret_uploader,
                    struct hf_error *error)
{
    (void)loop;
    (void)queue;
    (void)options;
    (void)ret_uploader;
    return hf_fail(error, HF_E_MISSING,
                   "this build cannot upload: it was made without HOLDFAST_UPLOAD (libcurl); copy the run "
                   "directory instead");
}

void hf_uploader_wake(struct hf_uploader *uploader)
{
    (void)uploader;
}

void hf_uploader_close(struct hf_uploader *uploader)
{
    (void)uploader;
}

#endif
