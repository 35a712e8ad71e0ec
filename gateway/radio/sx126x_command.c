#include "gateway/radio/sx126x_command.h"

#include <errno.h>

/* Section 8.3.1: a command while BUSY is high is lost. BUSY rises up to 600 ns after NSS; reading a
 * line through the kernel takes longer than that. Most commands take microseconds, so look often at
 * first. */
void sx126x_wait_ready(struct chip *chip, int64_t limit_us)
{
    const struct bus *bus = &chip->bus;
    int64_t until = bus->ops->now_us(bus->self) + limit_us;

    for (int i = 0; !chip->failure; i++) {
        int level = bus->ops->line_get(bus->self, BUS_BUSY);

        if (level == 0)
            return;
        if (level < 0)
            chip_fail(chip, level, "busy line");
        else if (bus->ops->now_us(bus->self) > until)
            chip_fail(chip, -ETIMEDOUT, "busy line (it stays high)");
        else if (i > 20)
            bus_sleep(bus, 50);
    }
}

void sx126x_command(struct chip *chip, size_t len)
{
    sx126x_wait_ready(chip, SX126X_READY_US);
    chip_transfer(chip, len);
}

void sx126x_set1(struct chip *chip, uint8_t opcode, uint8_t a)
{
    chip->out[0] = opcode;
    chip->out[1] = a;
    sx126x_command(chip, 2);
}

void sx126x_set2(struct chip *chip, uint8_t opcode, uint8_t a, uint8_t b)
{
    chip->out[2] = b;
    chip->out[0] = opcode;
    chip->out[1] = a;
    sx126x_command(chip, 3);
}

void sx126x_set4(struct chip *chip, uint8_t opcode, const uint8_t a[4])
{
    chip->out[0] = opcode;
    for (size_t i = 0; i < 4; i++)
        chip->out[1 + i] = a[i];
    sx126x_command(chip, 5);
}

/* Answers follow the opcode and one status byte. */
const uint8_t *sx126x_get(struct chip *chip, uint8_t opcode, size_t count)
{
    for (size_t i = 1; i < 2 + count; i++)
        chip->out[i] = 0;
    chip->out[0] = opcode;
    sx126x_command(chip, 2 + count);
    return chip->in + 2;
}

void sx126x_put_register(struct chip *chip, uint16_t address, uint8_t value)
{
    chip->out[0] = WRITE_REGISTER;
    chip->out[1] = (uint8_t)(address >> 8);
    chip->out[2] = (uint8_t)address;
    chip->out[3] = value;
    sx126x_command(chip, 4);
}

const uint8_t *sx126x_get_registers(struct chip *chip, uint16_t address, size_t count)
{
    for (size_t i = 3; i < 4 + count; i++)
        chip->out[i] = 0;
    chip->out[0] = READ_REGISTER;
    chip->out[1] = (uint8_t)(address >> 8);
    chip->out[2] = (uint8_t)address;
    sx126x_command(chip, 4 + count);
    return chip->in + 4;
}

void sx126x_change_register(struct chip *chip, uint16_t address, uint8_t clear, uint8_t set)
{
    uint8_t value = *sx126x_get_registers(chip, address, 1);

    sx126x_put_register(chip, address, (uint8_t)((value & ~clear) | set));
}

uint8_t sx126x_status_mode(struct chip *chip)
{
    chip->out[0] = GET_STATUS;
    chip->out[1] = 0;
    sx126x_command(chip, 2);
    return (chip->in[1] >> 4) & 7;
}
