// SPDX-License-Identifier: GPL-2.0-only
/*
 * rigbus: an I2C adapter, an SPI controller with four chip selects, a 1-Wire
 * master, a load cell converter under IIO and eight GPIO lines of which nothing
 * is real. Each transaction is handed to whoever holds /dev/rigbus open, as the
 * wire would carry it, and his answer is the chip's. So the kernel's own
 * interfaces above it (i2c-dev, spidev, w1, w1_therm, IIO, the GPIO character
 * device) are those of a box, unmodified, and the chips are an ordinary program.
 *
 * Made for deploy/rig of Standwatch. This program is free software; you can
 * redistribute it and/or modify it under the terms of the GNU General Public
 * License version 2 as published by the Free Software Foundation. It is
 * distributed in the hope that it will be useful, but WITHOUT ANY WARRANTY.
 *
 * read(2) gives one request:  id, bus, op, arg, length, bytes
 * write(2) takes one answer:  id, status (0 or a negative errno), length, bytes
 * and with id 0 the level of an input line: status is the line, one byte 0 or 1.
 * All numbers are little endian. An answer that does not come in time is
 * -ETIMEDOUT to the caller; one that comes late is dropped.
 */
#include <linux/completion.h>
#include <linux/gpio/driver.h>
#include <linux/i2c.h>
#include <linux/iio/iio.h>
#include <linux/irq.h>
#include <linux/irqdomain.h>
#include <linux/miscdevice.h>
#include <linux/module.h>
#include <linux/platform_device.h>
#include <linux/poll.h>
#include <linux/slab.h>
#include <linux/spi/spi.h>
#include <linux/uaccess.h>
#include <linux/w1.h>

enum { BUS_I2C = 1, BUS_SPI, BUS_W1, BUS_IIO, BUS_GPIO };
enum { W1_RESET, W1_TOUCH, W1_WRITE, W1_READ, W1_TRIPLET };

#define LINES 8
#define SELECTS 4
#define MOST 8192 /* bytes of one transaction */

/* longer than any adapter's own time-out: what a controller that is stuck takes */
static const unsigned long patience = 3 * HZ;

struct head {
	__le32 id;
	u8 bus, op;
	__le16 arg;
	__le32 len;
} __packed;

struct answer {
	__le32 id;
	__le32 status;
	__le32 len;
} __packed;

struct request {
	struct list_head list; /* waits to be read, or to be answered */
	u32 id;
	bool event; /* wants no answer */
	struct completion done;
	s32 status;
	u8 *in; /* the answer's bytes */
	u32 in_len, in_room;
	u32 out_len;
	u8 out[]; /* head and bytes */
};

static DEFINE_SPINLOCK(lock); /* of all below */
static LIST_HEAD(unread);
static LIST_HEAD(unanswered);
static DECLARE_WAIT_QUEUE_HEAD(readers);
static u32 last_id;
static bool held;

static struct platform_device *board;

static struct request *request(u8 bus, u8 op, u16 arg, u32 len, gfp_t gfp)
{
	struct request *r = kzalloc(sizeof(*r) + sizeof(struct head) + len, gfp);
	struct head *h;

	if (!r)
		return NULL;
	init_completion(&r->done);
	h = (struct head *)r->out;
	h->bus = bus;
	h->op = op;
	h->arg = cpu_to_le16(arg);
	h->len = cpu_to_le32(len);
	r->out_len = sizeof(*h) + len;
	return r;
}

static u8 *bytes_of(struct request *r)
{
	return r->out + sizeof(struct head);
}

/* Hands a request over, waits for its answer and frees it. Returns the bytes of
 * the answer or a negative errno. */
static int transact(struct request *r, u8 *in, u32 room, unsigned long wait)
{
	unsigned long flags;
	int status;

	if (!r)
		return -ENOMEM;
	r->in = in;
	r->in_room = room;
	spin_lock_irqsave(&lock, flags);
	if (!held) {
		spin_unlock_irqrestore(&lock, flags);
		kfree(r);
		return -ENODEV;
	}
	do
		r->id = ++last_id;
	while (!r->id);
	((struct head *)r->out)->id = cpu_to_le32(r->id);
	list_add_tail(&r->list, &unread);
	spin_unlock_irqrestore(&lock, flags);
	wake_up_interruptible(&readers);

	status = wait_for_completion_timeout(&r->done, wait) ? 0 : -ETIMEDOUT;
	spin_lock_irqsave(&lock, flags);
	if (completion_done(&r->done) || !status)
		status = r->status;
	else
		list_del(&r->list);
	spin_unlock_irqrestore(&lock, flags);
	if (!status)
		status = r->in_len;
	kfree(r);
	return status;
}

/* /dev/rigbus */

static int dev_open(struct inode *inode, struct file *file)
{
	int status = 0;

	spin_lock_irq(&lock);
	if (held)
		status = -EBUSY;
	held = true;
	spin_unlock_irq(&lock);
	return status;
}

static int dev_release(struct inode *inode, struct file *file)
{
	struct request *r, *next;

	spin_lock_irq(&lock);
	held = false;
	list_splice_tail_init(&unread, &unanswered);
	list_for_each_entry_safe(r, next, &unanswered, list) {
		list_del(&r->list);
		if (r->event) {
			kfree(r);
			continue;
		}
		r->status = -ENODEV;
		complete(&r->done);
	}
	spin_unlock_irq(&lock);
	return 0;
}

static ssize_t dev_read(struct file *file, char __user *to, size_t room, loff_t *pos)
{
	static u8 buf[sizeof(struct head) + MOST]; /* one reader: see dev_open */
	struct request *r;
	size_t n;

	for (;;) {
		if (wait_event_interruptible(readers, !list_empty(&unread)))
			return -ERESTARTSYS;
		spin_lock_irq(&lock);
		r = list_first_entry_or_null(&unread, struct request, list);
		if (!r) {
			spin_unlock_irq(&lock);
			continue; /* it has timed out meanwhile */
		}
		n = r->out_len;
		if (n > room) {
			spin_unlock_irq(&lock);
			return -EMSGSIZE;
		}
		memcpy(buf, r->out, n);
		list_del(&r->list);
		if (r->event)
			kfree(r);
		else
			list_add_tail(&r->list, &unanswered);
		spin_unlock_irq(&lock);
		return copy_to_user(to, buf, n) ? -EFAULT : n;
	}
}

static void set_line(unsigned int line, bool high);

static ssize_t dev_write(struct file *file, const char __user *from, size_t n, loff_t *pos)
{
	struct answer *a;
	struct request *r;
	u8 *buf;
	u32 len;

	if (n < sizeof(*a) || n > sizeof(*a) + MOST)
		return -EINVAL;
	buf = memdup_user(from, n);
	if (IS_ERR(buf))
		return PTR_ERR(buf);
	a = (struct answer *)buf;
	len = le32_to_cpu(a->len);
	if (len != n - sizeof(*a)) {
		kfree(buf);
		return -EINVAL;
	}
	if (!a->id) {
		if (len == 1)
			set_line(le32_to_cpu(a->status), buf[sizeof(*a)]);
		kfree(buf);
		return n;
	}
	spin_lock_irq(&lock);
	list_for_each_entry(r, &unanswered, list) {
		if (r->id != le32_to_cpu(a->id))
			continue;
		r->status = (s32)le32_to_cpu(a->status);
		r->in_len = min(len, r->in_room);
		memcpy(r->in, buf + sizeof(*a), r->in_len);
		list_del(&r->list);
		complete(&r->done);
		break;
	}
	spin_unlock_irq(&lock);
	kfree(buf);
	return n;
}

static const struct file_operations dev_ops = {
	.owner = THIS_MODULE,
	.open = dev_open,
	.release = dev_release,
	.read = dev_read,
	.write = dev_write,
	.llseek = no_llseek,
};

static struct miscdevice device = { .minor = MISC_DYNAMIC_MINOR, .name = "rigbus", .fops = &dev_ops };

/* I2C: messages of address, flags, length and what is written; back comes what is read. */

static int i2c_xfer(struct i2c_adapter *adapter, struct i2c_msg *msgs, int num)
{
	u32 out = 0, in = 0, got = 0;
	struct request *r;
	u8 *p, *answer;
	int i, n;

	for (i = 0; i < num; i++) {
		out += 6;
		if (msgs[i].flags & I2C_M_RD)
			in += msgs[i].len;
		else
			out += msgs[i].len;
	}
	if (out > MOST || in > MOST)
		return -EOPNOTSUPP;
	r = request(BUS_I2C, 0, num, out, GFP_KERNEL);
	answer = kzalloc(in + 1, GFP_KERNEL);
	if (!r || !answer) {
		kfree(r);
		kfree(answer);
		return -ENOMEM;
	}
	p = bytes_of(r);
	for (i = 0; i < num; i++) {
		__le16 h[3] = { cpu_to_le16(msgs[i].addr), cpu_to_le16(msgs[i].flags), cpu_to_le16(msgs[i].len) };

		memcpy(p, h, sizeof(h));
		p += sizeof(h);
		if (!(msgs[i].flags & I2C_M_RD)) {
			memcpy(p, msgs[i].buf, msgs[i].len);
			p += msgs[i].len;
		}
	}
	n = transact(r, answer, in, adapter->timeout);
	if (n >= 0 && n != in)
		n = -EIO;
	for (i = 0; n >= 0 && i < num; i++) {
		if (!(msgs[i].flags & I2C_M_RD))
			continue;
		memcpy(msgs[i].buf, answer + got, msgs[i].len);
		got += msgs[i].len;
	}
	kfree(answer);
	return n < 0 ? n : num;
}

static u32 i2c_func(struct i2c_adapter *adapter)
{
	return I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL;
}

static const struct i2c_algorithm i2c_algo = { .master_xfer = i2c_xfer, .functionality = i2c_func };
static struct i2c_adapter i2c = { .owner = THIS_MODULE, .algo = &i2c_algo, .name = "rigbus", .nr = 1 };

/* SPI: the bytes of one message, from chip select to chip select, both ways. The op is the mode. */

static struct spi_controller *spi;

static int spi_one(struct spi_controller *c, struct spi_message *m)
{
	struct spi_transfer *t;
	struct request *r;
	u8 *p, *answer;
	u32 len = 0;
	int n;

	list_for_each_entry(t, &m->transfers, transfer_list)
		len += t->len;
	if (len > MOST) {
		n = -EMSGSIZE;
		goto done;
	}
	r = request(BUS_SPI, m->spi->mode & SPI_MODE_X_MASK, m->spi->chip_select, len, GFP_KERNEL);
	answer = kzalloc(len + 1, GFP_KERNEL);
	if (!r || !answer) {
		kfree(r);
		kfree(answer);
		n = -ENOMEM;
		goto done;
	}
	p = bytes_of(r);
	list_for_each_entry(t, &m->transfers, transfer_list) {
		if (t->tx_buf)
			memcpy(p, t->tx_buf, t->len);
		p += t->len;
	}
	n = transact(r, answer, len, patience);
	if (n >= 0 && n != len)
		n = -EIO;
	if (n >= 0) {
		p = answer;
		list_for_each_entry(t, &m->transfers, transfer_list) {
			if (t->rx_buf)
				memcpy(t->rx_buf, p, t->len);
			p += t->len;
		}
		m->actual_length = len;
	}
	kfree(answer);
done:
	m->status = n < 0 ? n : 0;
	spi_finalize_current_message(c);
	return 0;
}

static int spi_begin(void)
{
	/* spidev binds by the name of a chip it knows; this is one of them. */
	struct spi_board_info info = { .modalias = "bk4", .max_speed_hz = 5000000, .bus_num = 0 };
	int status;

	spi = spi_alloc_master(&board->dev, 0);
	if (!spi)
		return -ENOMEM;
	spi->bus_num = 0;
	spi->num_chipselect = SELECTS;
	spi->mode_bits = SPI_MODE_X_MASK;
	spi->bits_per_word_mask = SPI_BPW_MASK(8);
	spi->transfer_one_message = spi_one;
	status = spi_register_controller(spi);
	if (status) {
		spi_controller_put(spi);
		return status;
	}
	for (info.chip_select = 0; info.chip_select < SELECTS; info.chip_select++)
		if (!spi_new_device(spi, &info))
			pr_warn("rigbus: no spidev at chip select %d\n", info.chip_select);
	return 0;
}

/* 1-Wire. A bus that does not answer floats: all ones. */

static int w1_op(u8 op, u16 arg, const u8 *out, u32 len, u8 *in, u32 room)
{
	struct request *r = request(BUS_W1, op, arg, len, GFP_KERNEL);

	if (r && len)
		memcpy(bytes_of(r), out, len);
	return transact(r, in, room, patience);
}

static u8 w1_reset(void *data)
{
	u8 absent = 1;

	return w1_op(W1_RESET, 0, NULL, 0, &absent, 1) == 1 ? absent : 1;
}

static u8 w1_touch(void *data, u8 bit)
{
	u8 got = 1;

	return w1_op(W1_TOUCH, bit, NULL, 0, &got, 1) == 1 ? got & 1 : 1;
}

static void w1_write_all(void *data, const u8 *p, int n)
{
	w1_op(W1_WRITE, 0, p, n, NULL, 0);
}

static void w1_write_one(void *data, u8 b)
{
	w1_op(W1_WRITE, 0, &b, 1, NULL, 0);
}

static u8 w1_read_all(void *data, u8 *p, int n)
{
	memset(p, 0xFF, n);
	w1_op(W1_READ, n, NULL, 0, p, n);
	return n;
}

static u8 w1_read_one(void *data)
{
	u8 b = 0xFF;

	w1_op(W1_READ, 1, NULL, 0, &b, 1);
	return b;
}

static u8 w1_three(void *data, u8 dir)
{
	u8 bits = 3; /* nobody answers */

	w1_op(W1_TRIPLET, dir, NULL, 0, &bits, 1);
	return bits;
}

static struct w1_bus_master w1 = {
	.touch_bit = w1_touch,
	.read_byte = w1_read_one,
	.write_byte = w1_write_one,
	.read_block = w1_read_all,
	.write_block = w1_write_all,
	.triplet = w1_three,
	.reset_bus = w1_reset,
};

/* IIO: what the kernel's driver of the HX711 shows, two channels with raw and scale. */

static struct iio_dev *iio;

static int iio_raw(struct iio_dev *d, const struct iio_chan_spec *c, int *val, int *val2, long mask)
{
	__le32 got;
	int n;

	switch (mask) {
	case IIO_CHAN_INFO_RAW:
		n = transact(request(BUS_IIO, 0, c->channel, 0, GFP_KERNEL), (u8 *)&got, sizeof(got), patience);
		if (n < 0)
			return n;
		if (n != sizeof(got))
			return -EIO;
		*val = (s32)le32_to_cpu(got);
		return IIO_VAL_INT;
	case IIO_CHAN_INFO_SCALE:
		/* supply 3.3 V, 24 bits, gain 128 (channel 0) or 32, as that driver reckons, in nV */
		*val = 0;
		*val2 = c->channel ? 12293458 / 1000 : 3073364 / 1000;
		return IIO_VAL_INT_PLUS_NANO;
	}
	return -EINVAL;
}

static const struct iio_info iio_ops = { .read_raw = iio_raw };

static const struct iio_chan_spec iio_channels[] = {
	{ .type = IIO_VOLTAGE, .channel = 0, .indexed = 1,
	  .info_mask_separate = BIT(IIO_CHAN_INFO_RAW) | BIT(IIO_CHAN_INFO_SCALE) },
	{ .type = IIO_VOLTAGE, .channel = 1, .indexed = 1,
	  .info_mask_separate = BIT(IIO_CHAN_INFO_RAW) | BIT(IIO_CHAN_INFO_SCALE) },
};

static int iio_begin(void)
{
	int status;

	iio = iio_device_alloc(&board->dev, 0);
	if (!iio)
		return -ENOMEM;
	iio->name = "hx711";
	iio->info = &iio_ops;
	iio->modes = INDIO_DIRECT_MODE;
	iio->channels = iio_channels;
	iio->num_channels = ARRAY_SIZE(iio_channels);
	status = iio_device_register(iio);
	if (status)
		iio_device_free(iio);
	return status;
}

/* GPIO: lines with the names a common board gives them. */

static const char *const line_names[LINES] = {
	"GPIO5", "GPIO6", "GPIO12", "GPIO13", "GPIO17", "GPIO22", "GPIO26", "GPIO27",
};
static DEFINE_SPINLOCK(line_lock); /* of the three below */
static unsigned long levels = BIT(LINES) - 1; /* open contacts, pulled up */
static unsigned long outputs;
static unsigned int edges[LINES];
static struct irq_domain *domain;

static int gpio_way(struct gpio_chip *c, unsigned int line)
{
	return test_bit(line, &outputs) ? GPIO_LINE_DIRECTION_OUT : GPIO_LINE_DIRECTION_IN;
}

static int gpio_read(struct gpio_chip *c, unsigned int line)
{
	return test_bit(line, &levels);
}

/* May be called where nothing may sleep: an event that waits for no answer. */
static void tell_line(unsigned int line)
{
	struct request *r = request(BUS_GPIO, test_bit(line, &levels), line, 0, GFP_ATOMIC);
	unsigned long flags;

	if (!r)
		return;
	r->event = true;
	spin_lock_irqsave(&lock, flags);
	if (held)
		list_add_tail(&r->list, &unread);
	else
		kfree(r);
	spin_unlock_irqrestore(&lock, flags);
	wake_up_interruptible(&readers);
}

static void gpio_write(struct gpio_chip *c, unsigned int line, int value)
{
	assign_bit(line, &levels, value);
	tell_line(line);
}

static int gpio_in(struct gpio_chip *c, unsigned int line)
{
	clear_bit(line, &outputs);
	return 0;
}

static int gpio_out(struct gpio_chip *c, unsigned int line, int value)
{
	set_bit(line, &outputs);
	gpio_write(c, line, value);
	return 0;
}

static int gpio_config(struct gpio_chip *c, unsigned int line, unsigned long config)
{
	switch (pinconf_to_config_param(config)) {
	case PIN_CONFIG_BIAS_DISABLE:
	case PIN_CONFIG_BIAS_PULL_UP:
	case PIN_CONFIG_BIAS_PULL_DOWN:
		return 0;
	default:
		return -ENOTSUPP;
	}
}

static int gpio_irq(struct gpio_chip *c, unsigned int line)
{
	return irq_create_mapping(domain, line);
}

static struct gpio_chip gpio = {
	.label = "rigbus", .owner = THIS_MODULE, .base = -1, .ngpio = LINES, .names = line_names,
	.get_direction = gpio_way, .direction_input = gpio_in, .direction_output = gpio_out,
	.get = gpio_read, .set = gpio_write, .set_config = gpio_config, .to_irq = gpio_irq,
};

static void irq_nothing(struct irq_data *d)
{
}

static int irq_kind(struct irq_data *d, unsigned int type)
{
	if (type & ~IRQ_TYPE_EDGE_BOTH)
		return -EINVAL;
	edges[irqd_to_hwirq(d)] = type;
	return 0;
}

static struct irq_chip irqs = {
	.name = "rigbus", .irq_mask = irq_nothing, .irq_unmask = irq_nothing, .irq_set_type = irq_kind,
};

static int irq_map(struct irq_domain *d, unsigned int irq, irq_hw_number_t line)
{
	irq_set_chip_and_handler(irq, &irqs, handle_simple_irq);
	return 0;
}

static const struct irq_domain_ops irq_ops = { .map = irq_map };

static void set_line(unsigned int line, bool high)
{
	unsigned long flags;
	unsigned int irq = 0;

	if (line >= LINES || test_bit(line, &outputs))
		return;
	spin_lock_irqsave(&line_lock, flags);
	if (test_bit(line, &levels) != high) {
		assign_bit(line, &levels, high);
		if (edges[line] & (high ? IRQ_TYPE_EDGE_RISING : IRQ_TYPE_EDGE_FALLING))
			irq = irq_find_mapping(domain, line);
	}
	spin_unlock_irqrestore(&line_lock, flags);
	if (irq)
		generic_handle_irq_safe(irq);
}

/* All of it, in order; what has begun is ended in the reverse. */

static bool begun[7];

static void end_all(void)
{
	if (begun[6])
		gpiochip_remove(&gpio);
	if (begun[5]) {
		unsigned int i;

		for (i = 0; i < LINES; i++)
			irq_dispose_mapping(irq_find_mapping(domain, i));
		irq_domain_remove(domain);
	}
	if (begun[4]) {
		iio_device_unregister(iio);
		iio_device_free(iio);
	}
	if (begun[3])
		w1_remove_master_device(&w1);
	if (begun[2])
		spi_unregister_controller(spi);
	if (begun[1])
		i2c_del_adapter(&i2c);
	if (begun[0])
		misc_deregister(&device);
	if (board)
		platform_device_unregister(board);
}

static int domain_begin(void)
{
	domain = irq_domain_create_linear(NULL, LINES, &irq_ops, NULL);
	return domain ? 0 : -ENOMEM;
}

static int begin(int i)
{
	switch (i) {
	case 0:
		return misc_register(&device);
	case 1:
		i2c.dev.parent = &board->dev;
		return i2c_add_numbered_adapter(&i2c);
	case 2:
		return spi_begin();
	case 3:
		return w1_add_master_device(&w1);
	case 4:
		return iio_begin();
	case 5:
		return domain_begin();
	default:
		gpio.parent = &board->dev;
		return gpiochip_add_data(&gpio, NULL);
	}
}

static int __init rigbus_init(void)
{
	int i, status;

	board = platform_device_register_simple("rigbus", -1, NULL, 0);
	if (IS_ERR(board))
		return PTR_ERR(board);
	for (i = 0; i < ARRAY_SIZE(begun); i++) {
		status = begin(i);
		if (status) {
			pr_err("rigbus: part %d: %d\n", i, status);
			end_all();
			return status;
		}
		begun[i] = true;
	}
	return 0;
}

static void __exit rigbus_exit(void)
{
	end_all();
}

module_init(rigbus_init);
module_exit(rigbus_exit);
MODULE_LICENSE("GPL");
MODULE_DESCRIPTION("buses whose chips are a program");
