#include "tests/simulation/broker.h"

#include <stdlib.h>
#include <string.h>

#include "tests/simulation/world.h"

enum { ON_WAY_MAX = 100 };

/* One message on a connection. */
struct passage {
    uint64_t connection;
    struct message *message;
};

struct message *message_new(enum message_kind kind, const char *text, size_t len)
{
    struct message *message = calloc(1, sizeof *message + len + 1);
    message->users = 1;
    message->kind = kind;
    message->len = len;
    if (len > 0)
        memcpy(message->text, text, len);
    return message;
}

void message_release(struct message *message)
{
    if (message != NULL && --message->users == 0)
        free(message);
}

static bool is_office(unsigned client)
{
    return client >= PLAN_GATEWAYS;
}

static int64_t latency_us(struct world *world)
{
    return chance_between(&world->network, 1000, 60000);
}

/* Messages of one connection keep their order, except when the network is a mess. */
static int64_t arrival_us(struct world *world, int64_t *last_us)
{
    int64_t at_us = world->now_us + latency_us(world);
    if (at_us <= *last_us)
        at_us = *last_us + 1;
    *last_us = at_us;
    if (world_is_rough(world, FAULT_NETWORK_MESS) && chance_of(&world->network, 0.003)) {
        world_count(world, FAULT_NETWORK_MESS);
        at_us += chance_between(&world->network, 1, 20) * SECOND_US;
    }
    return at_us;
}

/* How often a message arrives: once, unless the network is a mess. */
static unsigned fate(struct world *world)
{
    if (!world_is_rough(world, FAULT_NETWORK_MESS) || !chance_of(&world->network, 0.006))
        return 1;
    world_count(world, FAULT_NETWORK_MESS);
    return chance_of(&world->network, 0.5) ? 0 : 2;
}

static void carry(struct world *world, unsigned client, struct message *message, int64_t at_us,
                  void (*arrive)(struct world *world, const struct event *event))
{
    struct passage *passage = malloc(sizeof *passage);
    *passage = (struct passage){world->broker.clients[client].connection, message};
    message->users++;
    world_at(world, at_us, arrive, client, 0, passage);
}

static void arrive_at_client(struct world *world, const struct event *event)
{
    struct passage *passage = event->data;
    const struct client *client = &world->broker.clients[event->who];
    if (client->connected && client->connection == passage->connection) {
        if (is_office(event->who))
            office_take(world, &world->collectors[event->who - PLAN_GATEWAYS], passage->message);
        else
            barn_take(world, &world->gateways[event->who], passage->message);
    }
    message_release(passage->message);
}

static void push(struct world *world, unsigned index)
{
    struct client *client = &world->broker.clients[index];
    while (client->connected && client->on_way < client->count && client->on_way < ON_WAY_MAX) {
        struct message *message = client->queue[client->on_way++];
        for (unsigned left = fate(world); left > 0; left--)
            carry(world, index, message, arrival_us(world, &client->down_us), arrive_at_client);
    }
}

static void enqueue(struct world *world, unsigned index, struct message *message)
{
    struct client *client = &world->broker.clients[index];
    if (client->count >= world->plan.queue_max) {
        world_count(world, FAULT_BROKER_QUEUE);
        return;
    }
    if (client->count == client->capacity) {
        client->capacity = 2 * client->capacity + 64;
        client->queue = realloc(client->queue, client->capacity * sizeof(struct message *));
    }
    message->users++;
    client->queue[client->count++] = message;
    if (client->count > world->broker.longest)
        world->broker.longest = client->count;
    push(world, index);
}

void client_acknowledge(struct world *world, unsigned index, size_t count)
{
    struct client *client = &world->broker.clients[index];
    count = count < client->on_way ? count : client->on_way;
    for (size_t i = 0; i < count; i++)
        message_release(client->queue[i]);
    memmove(client->queue, client->queue + count,
            (client->count - count) * sizeof(struct message *));
    client->count -= count;
    client->on_way -= count;
    push(world, index);
}

static void route(struct world *world, struct message *message)
{
    struct broker *broker = &world->broker;
    if (message->kind == MESSAGE_MARK) {
        struct message **kept = &broker->marks[message->gateway][message->collector];
        message_release(*kept);
        *kept = message_new(MESSAGE_MARK, message->text, message->len);
        (*kept)->gateway = message->gateway;
        (*kept)->collector = message->collector;
        (*kept)->retained = true;
        enqueue(world, message->gateway, message);
        return;
    }
    for (unsigned c = 0; c < world->plan.collectors; c++)
        enqueue(world, PLAN_GATEWAYS + c, message);
}

static void acknowledged(struct world *world, const struct event *event)
{
    const struct client *client = &world->broker.clients[event->who];
    if (client->connected && client->connection == event->tag && !is_office(event->who))
        barn_acknowledged(world, &world->gateways[event->who]);
}

static void arrive_at_broker(struct world *world, const struct event *event)
{
    struct passage *passage = event->data;
    struct client *client = &world->broker.clients[event->who];
    if (world->broker.running && client->connected && client->connection == passage->connection) {
        route(world, passage->message);
        world_at(world, world->now_us + latency_us(world), acknowledged, event->who,
                 passage->connection, NULL);
    }
    message_release(passage->message);
}

void client_publish(struct world *world, unsigned index, struct message *message)
{
    struct client *client = &world->broker.clients[index];
    for (unsigned left = client->connected ? fate(world) : 0; left > 0; left--)
        carry(world, index, message, arrival_us(world, &client->up_us), arrive_at_broker);
    message_release(message);
}

static void subscribe_marks(struct world *world, unsigned index)
{
    struct client *client = &world->broker.clients[index];
    for (unsigned c = 0; c < world->plan.collectors; c++)
        if (world->broker.marks[index][c] != NULL)
            carry(world, index, world->broker.marks[index][c], arrival_us(world, &client->down_us),
                  arrive_at_client);
}

static void try_connect(struct world *world, const struct event *event)
{
    unsigned index = event->who;
    struct client *client = &world->broker.clients[index];
    client->trying = false;
    if (!client->running || client->connected)
        return;
    if (!world->broker.running || world->now_us < client->cut_until_us) {
        client_start(world, index);
        return;
    }
    client->connected = true;
    client->connection++;
    client->on_way = 0;
    if (is_office(index)) {
        office_connected(world, &world->collectors[index - PLAN_GATEWAYS]);
    } else {
        subscribe_marks(world, index);
        barn_connected(world, &world->gateways[index]);
    }
    push(world, index);
}

void client_start(struct world *world, unsigned index)
{
    struct client *client = &world->broker.clients[index];
    client->running = true;
    if (client->trying || client->connected)
        return;
    client->trying = true;
    world_at(world, world->now_us + chance_between(&world->network, 1, 60) * SECOND_US, try_connect,
             index, 0, NULL);
}

static void hang_up(struct world *world, unsigned index)
{
    struct client *client = &world->broker.clients[index];
    if (!client->connected)
        return;
    client->connected = false;
    client->connection++;
    if (is_office(index))
        office_disconnected(world, &world->collectors[index - PLAN_GATEWAYS]);
    else
        barn_disconnected(world, &world->gateways[index]);
}

void client_stop(struct world *world, unsigned index)
{
    world->broker.clients[index].running = false;
    hang_up(world, index);
}

void client_break(struct world *world, unsigned index)
{
    hang_up(world, index);
    if (world->broker.clients[index].running)
        client_start(world, index);
}

static void forget_queue(struct client *client)
{
    for (size_t i = 0; i < client->count; i++)
        message_release(client->queue[i]);
    client->count = client->on_way = 0;
}

static void copy_marks(struct message *(*to)[PLAN_COLLECTORS],
                       struct message *(*from)[PLAN_COLLECTORS])
{
    for (unsigned g = 0; g < PLAN_GATEWAYS; g++)
        for (unsigned c = 0; c < PLAN_COLLECTORS; c++) {
            message_release(to[g][c]);
            to[g][c] = from[g][c];
            if (to[g][c] != NULL)
                to[g][c]->users++;
        }
}

/* What is retained is saved every half hour. */
static void save(struct world *world, const struct event *event)
{
    (void)event;
    if (world->broker.running)
        copy_marks(world->broker.saved, world->broker.marks);
    world_at(world, world->now_us + 30 * MINUTE_US, save, 0, 0, NULL);
}

static void come_back(struct world *world, const struct event *event)
{
    (void)event;
    world->broker.running = true;
}

void broker_kill(struct world *world, int64_t away_us)
{
    struct broker *broker = &world->broker;
    if (!broker->running)
        return;
    broker->running = false;
    for (unsigned i = 0; i < BROKER_CLIENTS; i++) {
        hang_up(world, i);
        if (broker->clients[i].running)
            client_start(world, i);
        if (chance_of(&world->network, 0.7))
            forget_queue(&broker->clients[i]);
    }
    if (chance_of(&world->network, 0.5))
        copy_marks(broker->marks, broker->saved);
    world_at(world, world->now_us + away_us, come_back, 0, 0, NULL);
}

void broker_open(struct world *world)
{
    world->broker = (struct broker){.running = true};
    world_at(world, world->now_us + 30 * MINUTE_US, save, 0, 0, NULL);
}

void broker_close(struct world *world)
{
    struct message *none[PLAN_GATEWAYS][PLAN_COLLECTORS] = {{NULL}};
    copy_marks(world->broker.marks, none);
    copy_marks(world->broker.saved, none);
    for (unsigned i = 0; i < BROKER_CLIENTS; i++) {
        forget_queue(&world->broker.clients[i]);
        free(world->broker.clients[i].queue);
    }
}

void broker_let_go(const struct event *event)
{
    if (event->run == arrive_at_broker || event->run == arrive_at_client)
        message_release(((struct passage *)event->data)->message);
}
