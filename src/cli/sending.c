#include "cli/sending.h"

#include <signal.h>
#include <stdio.h>
#include <uv.h>

#include "harness/pool.h"

struct sender {
    const struct hf_sending *sending;
    struct hf_upload_queue *queue;
    struct hf_uploader *uploader;
    uv_loop_t loop;
    uv_timer_t limit;
    uv_signal_t signals[2];
    int over;
};

static void say(void *context, const char *line)
{
    const struct sender *sender = context;

    sender->sending->say(sender->sending->say_context, line);
}

static void end(struct sender *sender)
{
    if (sender->over)
        return;
    sender->over = 1;
    hf_uploader_close(sender->uploader);
    uv_close((uv_handle_t *)&sender->limit, NULL);
    for (int i = 0; i < 2; i++)
        uv_close((uv_handle_t *)&sender->signals[i], NULL);
}

static void on_idle(void *context)
{
    struct sender *sender = context;

    if (sender->uploader != NULL &&
        (!sender->sending->patient || hf_upload_queue_count_of(sender->queue, HF_UPLOAD_WAITING) == 0))
        end(sender);
}

static void on_limit(uv_timer_t *timer)
{
    end(timer->data);
}

static void on_signal(uv_signal_t *handle, int number)
{
    (void)number;
    end(handle->data);
}

/* The loop lives until end(): by the limit, a signal, or because nothing is left. */
static int start(struct sender *sender, struct hf_error *error)
{
    const struct hf_sending *sending = sender->sending;
    struct hf_upload_options options = {.url = sending->server.url,
                                        .token_file = sending->server.token_file,
                                        .ca_file = sending->server.ca_file,
                                        .silence_s = sending->server.silence_s,
                                        .keeps_loop = 1,
                                        .say = say,
                                        .idle = on_idle,
                                        .context = sender};
    static const int numbers[2] = {SIGINT, SIGTERM};

    if (hf_uploader_new(&sender->loop, sender->queue, &options, &sender->uploader, error) != HF_OK)
        return error->code;
    (void)uv_timer_init(&sender->loop, &sender->limit); /* cannot fail */
    sender->limit.data = sender;
    (void)uv_timer_start(&sender->limit, on_limit, (uint64_t)(sending->limit_s * 1e3), 0);
    for (int i = 0; i < 2; i++) {
        (void)uv_signal_init(&sender->loop, &sender->signals[i]); /* fails only with the loop itself */
        sender->signals[i].data = sender;
        (void)uv_signal_start(&sender->signals[i], on_signal, numbers[i]);
    }
    return HF_OK;
}

static void send_all(struct sender *sender, struct hf_error *error)
{
    if (hf_pool_loop_init(&sender->loop, error) != HF_OK)
        return;
    if (start(sender, error) == HF_OK)
        (void)uv_run(&sender->loop, UV_RUN_DEFAULT);
    (void)uv_loop_close(&sender->loop);
}

int hf_send(const struct hf_sending *sending, struct hf_error *error)
{
    struct sender sender = {.sending = sending};

    if (hf_upload_queue_open(sending->directory, 0, &sender.queue, error) != HF_OK)
        return error->code;
    if (hf_upload_queue_for(sender.queue, sending->server.url, error) == HF_OK &&
        hf_upload_queue_add_run(sender.queue, error) == HF_OK &&
        (!sending->retry || hf_upload_queue_retry(sender.queue, error) == HF_OK))
        send_all(&sender, error);
    hf_upload_queue_close(sender.queue);
    return error->code;
}
