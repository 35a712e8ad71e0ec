// SPDX-License-Identifier: MIT
/*
 * The electrical side of a board with transceivers: a GPIO chip whose lines can interrupt, and an SPI controller with
 * a user-space device at each chip select. What lies behind the wires is a program's affair, which reads questions
 * from /dev/model-board and answers them (model_board.h). Without such a program lines are low and MISO floats high.
 */
#include <linux/completion.h>
#include <linux/gpio/driver.h>
#include <linux/interrupt.h>
#include <linux/irq.h>
#include <linux/miscdevice.h>
#include <linux/module.h>
#include <linux/mutex.h>
#include <linux/platform_device.h>
#include <linux/poll.h>
#include <linux/spi/spi.h>
#include <linux/uaccess.h>
#include <linux/version.h>

#include "model_board.h"

enum { CHIP_HZ = 16000000, ANSWER_MS = 2000, LONG_TRANSFER = 20 };
enum state { IDLE, ASKED, TAKEN };

/* For seeing a test fail: one bit is turned in what this many long transfers from now bring. */
static int spoil;
module_param(spoil, int, 0644);

static struct board {
    struct platform_device *parent;
    struct gpio_chip gpio;
    const char *names[MODEL_BOARD_LINES];
    bool is_output[MODEL_BOARD_LINES], level[MODEL_BOARD_LINES];
    unsigned int edges[MODEL_BOARD_LINES];
    struct spi_controller *spi;
    struct mutex asking; /* held from a question to its answer */
    struct mutex record_lock;
    struct model_board_record record;
    enum state state;
    struct completion answered;
    wait_queue_head_t questions;
    atomic_t open;
} board;

/* The answer's value, or -ENODEV or -ETIMEDOUT. out and in are of a transfer, or NULL. */
static int ask(u32 kind, u32 where, u32 value, const void *out, void *in)
{
    int answer = -ENODEV;

    mutex_lock(&board.asking);
    if (!atomic_read(&board.open))
        goto out;
    mutex_lock(&board.record_lock);
    board.record.kind = kind;
    board.record.where = where;
    board.record.value = value;
    memset(board.record.bytes, 0, sizeof(board.record.bytes));
    if (out)
        memcpy(board.record.bytes, out, value);
    board.state = ASKED;
    reinit_completion(&board.answered);
    mutex_unlock(&board.record_lock);
    wake_up_interruptible(&board.questions);
    if (wait_for_completion_timeout(&board.answered, msecs_to_jiffies(ANSWER_MS)))
        answer = 0;
    mutex_lock(&board.record_lock);
    if (board.state == IDLE && answer == 0) {
        answer = board.record.value;
        if (in)
            memcpy(in, board.record.bytes, value);
    } else {
        answer = -ETIMEDOUT;
        board.state = IDLE;
    }
    mutex_unlock(&board.record_lock);
out:
    mutex_unlock(&board.asking);
    return answer;
}

static ssize_t device_read(struct file *file, char __user *to, size_t size, loff_t *at)
{
    ssize_t n = sizeof(board.record);

    if (size < sizeof(board.record))
        return -EINVAL;
    if (wait_event_interruptible(board.questions, READ_ONCE(board.state) == ASKED))
        return -ERESTARTSYS;
    mutex_lock(&board.record_lock);
    if (board.state != ASKED)
        n = -EAGAIN; /* nobody waits for the answer any more */
    else if (copy_to_user(to, &board.record, sizeof(board.record)))
        n = -EFAULT;
    else
        board.state = TAKEN;
    mutex_unlock(&board.record_lock);
    return n;
}

static int tell_edge(u32 line, bool high)
{
    unsigned long flags;

    if (line >= MODEL_BOARD_LINES)
        return -EINVAL;
    if (!(board.edges[line] & (high ? IRQ_TYPE_EDGE_RISING : IRQ_TYPE_EDGE_FALLING)))
        return 0;
    local_irq_save(flags);
    generic_handle_domain_irq(board.gpio.irq.domain, line);
    local_irq_restore(flags);
    return 0;
}

static int take_answer(const struct model_board_record *answer)
{
    int r = -EINVAL;

    mutex_lock(&board.record_lock);
    if (board.state == TAKEN && answer->kind == board.record.kind) {
        board.record = *answer;
        board.state = IDLE;
        complete(&board.answered);
        r = 0;
    }
    mutex_unlock(&board.record_lock);
    return r;
}

static ssize_t device_write(struct file *file, const char __user *from, size_t size, loff_t *at)
{
    struct model_board_record record;
    int r;

    if (size != sizeof(record))
        return -EINVAL;
    if (copy_from_user(&record, from, sizeof(record)))
        return -EFAULT;
    r = record.kind == MODEL_BOARD_EDGE ? tell_edge(record.where, record.value)
                                        : take_answer(&record);
    return r < 0 ? r : (ssize_t)size;
}

static __poll_t device_poll(struct file *file, poll_table *table)
{
    poll_wait(file, &board.questions, table);
    return READ_ONCE(board.state) == ASKED ? EPOLLIN | EPOLLOUT : EPOLLOUT;
}

static int device_open(struct inode *inode, struct file *file)
{
    return atomic_cmpxchg(&board.open, 0, 1) ? -EBUSY : 0;
}

static int device_release(struct inode *inode, struct file *file)
{
    atomic_set(&board.open, 0);
    complete(&board.answered); /* whoever waits gets no answer */
    return 0;
}

static const struct file_operations device_operations = {
    .owner = THIS_MODULE,
    .open = device_open,
    .release = device_release,
    .read = device_read,
    .write = device_write,
    .poll = device_poll,
};

static struct miscdevice device = {
    .minor = MISC_DYNAMIC_MINOR,
    .name = "model-board",
    .fops = &device_operations,
};

static int line_direction(struct gpio_chip *chip, unsigned int line)
{
    return board.is_output[line] ? GPIO_LINE_DIRECTION_OUT : GPIO_LINE_DIRECTION_IN;
}

static int line_input(struct gpio_chip *chip, unsigned int line)
{
    board.is_output[line] = false;
    return 0;
}

static void line_set(struct gpio_chip *chip, unsigned int line, int value)
{
    board.level[line] = value;
    ask(MODEL_BOARD_SET, line, value != 0, NULL, NULL);
}

static int line_output(struct gpio_chip *chip, unsigned int line, int value)
{
    board.is_output[line] = true;
    line_set(chip, line, value);
    return 0;
}

static int line_get(struct gpio_chip *chip, unsigned int line)
{
    int level =
        board.is_output[line] ? board.level[line] : ask(MODEL_BOARD_GET, line, 0, NULL, NULL);

    return level == -ENODEV ? 0 : level;
}

static int line_config(struct gpio_chip *chip, unsigned int line, unsigned long config)
{
    enum pin_config_param what = pinconf_to_config_param(config);

    if (what != PIN_CONFIG_BIAS_PULL_UP && what != PIN_CONFIG_BIAS_PULL_DOWN)
        return -ENOTSUPP;
    ask(MODEL_BOARD_PULL, line, what == PIN_CONFIG_BIAS_PULL_UP, NULL, NULL);
    return 0;
}

static int irq_type(struct irq_data *data, unsigned int type)
{
    if (type & ~IRQ_TYPE_EDGE_BOTH)
        return -EINVAL;
    board.edges[irqd_to_hwirq(data)] = type;
    return 0;
}

static void irq_mask(struct irq_data *data)
{
    gpiochip_disable_irq(&board.gpio, irqd_to_hwirq(data));
}

static void irq_unmask(struct irq_data *data)
{
    gpiochip_enable_irq(&board.gpio, irqd_to_hwirq(data));
}

static void irq_acknowledge(struct irq_data *data)
{
}

static const struct irq_chip line_interrupts = {
    .name = "model-board",
    .irq_ack = irq_acknowledge,
    .irq_mask = irq_mask,
    .irq_unmask = irq_unmask,
    .irq_set_type = irq_type,
    .flags = IRQCHIP_IMMUTABLE,
    GPIOCHIP_IRQ_RESOURCE_HELPERS,
};

static int add_gpio(struct device *parent)
{
    for (int i = 0; i < MODEL_BOARD_LINES; i++) {
        board.names[i] = devm_kasprintf(parent, GFP_KERNEL, "GPIO%d", i);
        if (!board.names[i])
            return -ENOMEM;
    }
    board.gpio = (struct gpio_chip){
        .label = MODEL_BOARD_LABEL,
        .parent = parent,
        .owner = THIS_MODULE,
        .get_direction = line_direction,
        .direction_input = line_input,
        .direction_output = line_output,
        .get = line_get,
        .set = line_set,
        .set_config = line_config,
        .base = -1,
        .ngpio = MODEL_BOARD_LINES,
        .names = board.names,
        .can_sleep = true,
    };
    gpio_irq_chip_set_chip(&board.gpio.irq, &line_interrupts);
    board.gpio.irq.default_type = IRQ_TYPE_NONE;
    board.gpio.irq.handler = handle_edge_irq;
    return gpiochip_add_data(&board.gpio, &board);
}

static void spoil_one(u8 *in, unsigned int len)
{
    if (spoil > 0 && len > LONG_TRANSFER && --spoil == 0)
        in[LONG_TRANSFER] ^= 0x10;
}

static int transfer(unsigned int select, const struct spi_transfer *t)
{
    static u8 in[MODEL_BOARD_BYTES]; /* the controller has one message at a time */
    int r;

    if (t->len == 0 || t->len > sizeof(in))
        return -EMSGSIZE;
    memset(in, 0xFF, t->len);
    r = ask(MODEL_BOARD_TRANSFER, select, t->len, t->tx_buf, in);
    if (r < 0 && r != -ENODEV)
        return r;
    spoil_one(in, t->len);
    if (t->rx_buf)
        memcpy(t->rx_buf, in, t->len);
    return 0;
}

#if LINUX_VERSION_CODE < KERNEL_VERSION(6, 7, 0)
#define spi_alloc_host     spi_alloc_master
#define SELECT_OF(message) ((message)->spi->chip_select)
#else
#define SELECT_OF(message) spi_get_chipselect((message)->spi, 0)
#endif

/* A message is one NSS-low period, and here one transfer. */
static int transfer_message(struct spi_controller *spi, struct spi_message *message)
{
    struct spi_transfer *t =
        list_first_entry_or_null(&message->transfers, struct spi_transfer, transfer_list);

    if (!t || !list_is_singular(&message->transfers))
        message->status = -EOPNOTSUPP;
    else
        message->status = transfer(SELECT_OF(message), t);
    if (message->status == 0)
        message->actual_length = t->len;
    spi_finalize_current_message(spi);
    return 0;
}

static int add_spi(struct device *parent)
{
    struct spi_controller *spi = spi_alloc_host(parent, 0);
    int r;

    if (!spi)
        return -ENOMEM;
    spi->bus_num = 0;
    spi->num_chipselect = MODEL_BOARD_SELECTS;
    spi->bits_per_word_mask = SPI_BPW_MASK(8);
    spi->max_speed_hz = CHIP_HZ;
    spi->transfer_one_message = transfer_message;
    r = spi_register_controller(spi);
    if (r < 0) {
        spi_controller_put(spi);
        return r;
    }
    board.spi = spi;
    for (u16 select = 0; select < MODEL_BOARD_SELECTS; select++) {
        /* One of the names that the kernel's user-space driver answers to. */
        struct spi_board_info info = {
            .modalias = "dh2228fv", .max_speed_hz = CHIP_HZ, .chip_select = select};

        if (!spi_new_device(spi, &info))
            return -ENODEV;
    }
    return 0;
}

static void remove_board(void)
{
    if (board.spi)
        spi_unregister_controller(board.spi);
    if (board.gpio.parent)
        gpiochip_remove(&board.gpio);
    platform_device_unregister(board.parent);
}

static int __init board_init(void)
{
    int r;

    mutex_init(&board.asking);
    mutex_init(&board.record_lock);
    init_completion(&board.answered);
    init_waitqueue_head(&board.questions);
    board.parent = platform_device_register_simple("model-board", -1, NULL, 0);
    if (IS_ERR(board.parent))
        return PTR_ERR(board.parent);
    r = add_gpio(&board.parent->dev);
    if (r < 0) {
        board.gpio.parent = NULL;
        goto fail;
    }
    r = add_spi(&board.parent->dev);
    if (r == 0)
        r = misc_register(&device);
    if (r == 0)
        return 0;
fail:
    remove_board();
    return r;
}

static void __exit board_exit(void)
{
    misc_deregister(&device);
    remove_board();
}

module_init(board_init);
module_exit(board_exit);
MODULE_DESCRIPTION("Lines and buses whose far ends a program plays");
MODULE_LICENSE("Dual MIT/GPL");
