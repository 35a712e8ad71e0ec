#include "collector/delivery/smtp.h"

#include <curl/curl.h>
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>

enum { CONNECT_S = 30, STALLED_S = 30, ANSWER_MAX = 200 };

struct transfer {
    struct smtp *smtp;
    CURL *easy;
    struct curl_slist *to;
    const char *bytes;
    size_t len, sent;
    smtp_done done;
    void *user;
    char error[CURL_ERROR_SIZE];
    char answer[ANSWER_MAX]; /* the server's last complaint */
    struct transfer *next;
};

struct smtp {
    sd_event *event;
    sd_event_source *timer;
    CURLM *multi;
    struct transfer *transfers;
};

static void unlink_transfer(struct smtp *smtp, struct transfer *transfer)
{
    for (struct transfer **at = &smtp->transfers; *at != NULL; at = &(*at)->next)
        if (*at == transfer) {
            *at = transfer->next;
            return;
        }
}

static void transfer_free(struct transfer *transfer)
{
    if (transfer->easy != NULL)
        curl_easy_cleanup(transfer->easy);
    curl_slist_free_all(transfer->to);
    free(transfer);
}

static enum smtp_outcome judge(CURLcode code, long response)
{
    switch (code) {
    case CURLE_OK:
        return SMTP_ACCEPTED;
    case CURLE_LOGIN_DENIED:
    case CURLE_PEER_FAILED_VERIFICATION:
    case CURLE_USE_SSL_FAILED:
    case CURLE_SSL_CACERT_BADFILE:
        return SMTP_REFUSED;
    default:
        return response >= 500 && response < 600 ? SMTP_REFUSED : SMTP_LATER;
    }
}

static void finish(struct transfer *transfer, CURLcode code)
{
    long response = 0;
    char why[CURL_ERROR_SIZE + ANSWER_MAX + 64] = "";
    curl_easy_getinfo(transfer->easy, CURLINFO_RESPONSE_CODE, &response);
    enum smtp_outcome outcome = judge(code, response);
    if (outcome != SMTP_ACCEPTED)
        snprintf(why, sizeof(why), "%s%s%s",
                 transfer->error[0] != '\0' ? transfer->error : curl_easy_strerror(code),
                 transfer->answer[0] != '\0' ? "; the server said: " : "", transfer->answer);
    curl_multi_remove_handle(transfer->smtp->multi, transfer->easy);
    unlink_transfer(transfer->smtp, transfer);
    transfer->done(transfer->user, outcome, why);
    transfer_free(transfer);
}

static void collect(struct smtp *smtp)
{
    CURLMsg *message;
    int left;
    while ((message = curl_multi_info_read(smtp->multi, &left)) != NULL) {
        char *private = NULL;
        if (message->msg != CURLMSG_DONE)
            continue;
        CURLcode code = message->data.result;
        curl_easy_getinfo(message->easy_handle, CURLINFO_PRIVATE, &private);
        finish((struct transfer *)(void *)private, code);
    }
}

static int on_socket(sd_event_source *source, int fd, uint32_t events, void *user)
{
    (void)source;
    struct smtp *smtp = user;
    int running, mask = 0;
    mask |= events & EPOLLIN ? CURL_CSELECT_IN : 0;
    mask |= events & EPOLLOUT ? CURL_CSELECT_OUT : 0;
    mask |= events & (EPOLLERR | EPOLLHUP) ? CURL_CSELECT_ERR : 0;
    curl_multi_socket_action(smtp->multi, fd, mask, &running);
    collect(smtp);
    return 0;
}

static int on_timer(sd_event_source *source, uint64_t at_us, void *user)
{
    (void)source;
    (void)at_us;
    struct smtp *smtp = user;
    int running;
    curl_multi_socket_action(smtp->multi, CURL_SOCKET_TIMEOUT, 0, &running);
    collect(smtp);
    return 0;
}

static int want_timer(CURLM *multi, long after_ms, void *user)
{
    (void)multi;
    struct smtp *smtp = user;
    if (after_ms < 0)
        return sd_event_source_set_enabled(smtp->timer, SD_EVENT_OFF) < 0 ? -1 : 0;
    if (sd_event_source_set_time_relative(smtp->timer, (uint64_t)after_ms * 1000) < 0)
        return -1;
    return sd_event_source_set_enabled(smtp->timer, SD_EVENT_ONESHOT) < 0 ? -1 : 0;
}

static int want_socket(CURL *easy, curl_socket_t fd, int what, void *user, void *assigned)
{
    (void)easy;
    struct smtp *smtp = user;
    sd_event_source *source = assigned;
    uint32_t events = 0;
    if (what == CURL_POLL_REMOVE) {
        sd_event_source_disable_unref(source);
        curl_multi_assign(smtp->multi, fd, NULL);
        return 0;
    }
    events |= what & CURL_POLL_IN ? EPOLLIN : 0;
    events |= what & CURL_POLL_OUT ? EPOLLOUT : 0;
    if (source != NULL)
        return sd_event_source_set_io_events(source, events) < 0 ? -1 : 0;
    if (sd_event_add_io(smtp->event, &source, fd, events, on_socket, smtp) < 0)
        return -1;
    curl_multi_assign(smtp->multi, fd, source);
    return 0;
}

int smtp_open(struct smtp **smtp, sd_event *event)
{
    struct smtp *made = calloc(1, sizeof(*made));
    int rc = -ENOMEM;
    if (made == NULL)
        return rc;
    made->event = sd_event_ref(event);
    if (curl_global_init(CURL_GLOBAL_DEFAULT) != CURLE_OK)
        goto fail;
    rc = sd_event_add_time_relative(event, &made->timer, CLOCK_MONOTONIC, 0, 1000, on_timer, made);
    if (rc < 0)
        goto fail_curl;
    sd_event_source_set_enabled(made->timer, SD_EVENT_OFF);
    rc = -ENOMEM;
    made->multi = curl_multi_init();
    if (made->multi == NULL)
        goto fail_timer;
    curl_multi_setopt(made->multi, CURLMOPT_SOCKETFUNCTION, want_socket);
    curl_multi_setopt(made->multi, CURLMOPT_SOCKETDATA, made);
    curl_multi_setopt(made->multi, CURLMOPT_TIMERFUNCTION, want_timer);
    curl_multi_setopt(made->multi, CURLMOPT_TIMERDATA, made);
    *smtp = made;
    return 0;
fail_timer:
    sd_event_source_disable_unref(made->timer);
fail_curl:
    curl_global_cleanup();
fail:
    sd_event_unref(made->event);
    free(made);
    return rc;
}

/* libcurl says goodbye to the server and waits for its answer, as long as an answer may take. At the end nobody
 * waits: a cut connection answers at once, and what was under way is owed still. */
static void cut(struct transfer *transfer)
{
    curl_socket_t fd = CURL_SOCKET_BAD;
    curl_easy_setopt(transfer->easy, CURLOPT_SERVER_RESPONSE_TIMEOUT, 1L);
    if (curl_easy_getinfo(transfer->easy, CURLINFO_ACTIVESOCKET, &fd) == CURLE_OK &&
        fd != CURL_SOCKET_BAD)
        shutdown(fd, SHUT_RDWR);
}

void smtp_close(struct smtp *smtp)
{
    if (smtp == NULL)
        return;
    while (smtp->transfers != NULL) {
        struct transfer *transfer = smtp->transfers;
        cut(transfer);
        curl_multi_remove_handle(smtp->multi, transfer->easy);
        unlink_transfer(smtp, transfer);
        transfer_free(transfer);
    }
    curl_multi_cleanup(smtp->multi);
    sd_event_source_disable_unref(smtp->timer);
    curl_global_cleanup();
    sd_event_unref(smtp->event);
    free(smtp);
}

static size_t give_bytes(char *buffer, size_t size, size_t count, void *user)
{
    struct transfer *transfer = user;
    size_t room = size * count, left = transfer->len - transfer->sent;
    size_t n = left < room ? left : room;
    memcpy(buffer, transfer->bytes + transfer->sent, n);
    transfer->sent += n;
    return n;
}

/* libcurl hands over the server's answers as header lines. */
static size_t take_answer(char *line, size_t size, size_t count, void *user)
{
    struct transfer *transfer = user;
    size_t len = size * count, n = 0;
    if (len == 0 || (line[0] != '4' && line[0] != '5'))
        return len; /* only what went wrong is worth telling */
    while (n < len && n < ANSWER_MAX - 1 && (unsigned char)line[n] >= ' ') {
        transfer->answer[n] = (unsigned char)line[n] < 0x7F ? line[n] : '?';
        n++;
    }
    transfer->answer[n] = '\0';
    return len;
}

static size_t ignore_body(char *bytes, size_t size, size_t count, void *user)
{
    (void)bytes;
    (void)user;
    return size * count;
}

static int set_server(CURL *easy, const struct smtp_job *job)
{
    char url[300];
    snprintf(url, sizeof(url), "%s://%s:%u", job->security == SMTP_TLS ? "smtps" : "smtp",
             job->server, job->port);
    int bad = curl_easy_setopt(easy, CURLOPT_URL, url) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_PROTOCOLS_STR, "smtp,smtps") != CURLE_OK;
    if (job->security != SMTP_PLAIN) {
        bad |= curl_easy_setopt(easy, CURLOPT_USE_SSL, (long)CURLUSESSL_ALL) != CURLE_OK;
        if (job->ca_file != NULL && job->ca_file[0] != '\0')
            bad |= curl_easy_setopt(easy, CURLOPT_CAINFO, job->ca_file) != CURLE_OK;
    }
    if (job->user != NULL && job->user[0] != '\0') {
        bad |= curl_easy_setopt(easy, CURLOPT_USERNAME, job->user) != CURLE_OK;
        bad |= curl_easy_setopt(easy, CURLOPT_PASSWORD, job->password) != CURLE_OK;
    }
    return bad ? -ENOMEM : 0;
}

static int set_envelope(struct transfer *transfer, const struct smtp_job *job)
{
    CURL *easy = transfer->easy;
    for (size_t i = 0; i < job->to_count; i++) {
        struct curl_slist *longer = curl_slist_append(transfer->to, job->to[i]);
        if (longer == NULL)
            return -ENOMEM;
        transfer->to = longer;
    }
    int bad = curl_easy_setopt(easy, CURLOPT_MAIL_FROM, job->from) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_MAIL_RCPT, transfer->to) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_UPLOAD, 1L) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_INFILESIZE_LARGE, (curl_off_t)job->len) != CURLE_OK;
    return bad ? -ENOMEM : 0;
}

static int set_ways(struct transfer *transfer, unsigned patience_s)
{
    CURL *easy = transfer->easy;
    long connect_s = patience_s < CONNECT_S ? (long)patience_s : CONNECT_S;
    int bad = curl_easy_setopt(easy, CURLOPT_READFUNCTION, give_bytes) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_READDATA, transfer) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, ignore_body) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_HEADERFUNCTION, take_answer) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_HEADERDATA, transfer) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_ERRORBUFFER, transfer->error) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_PRIVATE, transfer) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_NOSIGNAL, 1L) != CURLE_OK;
    /* A connection on which something failed is not one to go on with. */
    bad |= curl_easy_setopt(easy, CURLOPT_FORBID_REUSE, 1L) != CURLE_OK;
    /* A proxy for web traffic named in the environment is none for mail. */
    bad |= curl_easy_setopt(easy, CURLOPT_PROXY, "") != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_CONNECTTIMEOUT, connect_s) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_TIMEOUT, (long)patience_s) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_SERVER_RESPONSE_TIMEOUT, (long)patience_s) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_LOW_SPEED_LIMIT, 1L) != CURLE_OK;
    bad |= curl_easy_setopt(easy, CURLOPT_LOW_SPEED_TIME, (long)STALLED_S) != CURLE_OK;
    return bad ? -ENOMEM : 0;
}

int smtp_send(struct smtp *smtp, const struct smtp_job *job, smtp_done done, void *user)
{
    struct transfer *transfer = calloc(1, sizeof(*transfer));
    int rc = -ENOMEM;
    if (transfer == NULL)
        return rc;
    *transfer = (struct transfer){
        .smtp = smtp, .bytes = job->bytes, .len = job->len, .done = done, .user = user};
    transfer->easy = curl_easy_init();
    if (transfer->easy == NULL)
        goto fail;
    rc = set_server(transfer->easy, job);
    if (rc == 0)
        rc = set_envelope(transfer, job);
    if (rc == 0)
        rc = set_ways(transfer, job->patience_s);
    if (rc < 0)
        goto fail;
    transfer->next = smtp->transfers;
    smtp->transfers = transfer;
    if (curl_multi_add_handle(smtp->multi, transfer->easy) == CURLM_OK)
        return 0;
    rc = -ENOMEM;
    unlink_transfer(smtp, transfer);
fail:
    transfer_free(transfer);
    return rc;
}
