/*
 * Prints each file operation of a firmware as one line of text on its console. `simfs run console.log` replays them.
 *
 * Plain C99, no allocation, no buffer: each character goes to your function as it comes. Give the recorder a function
 * that puts a character on the console and one that tells the time, then say what the firmware did, after it did it
 * and with what the file functions returned; leave out what failed:
 *
 *     static void put(char c, void *context) { (void)context; uart_put(c); }
 *     static uint32_t now(void *context) { (void)context; return uptime_ms(); }
 *     static simfs_recorder recorder = {put, now, NULL, 0, 0, 0};
 *
 *     simfs_record_boot(&recorder);                          once at each start, before any file is opened
 *     simfs_record_open(&recorder, 3, "a", "/log.csv");      3: your own number for this open file
 *     simfs_record_write(&recorder, 3, text, length);        or NULL in place of text, to leave out the contents
 *     simfs_record_close(&recorder, 3);
 *
 * The time may run over (32 bits of ms). A line must not be mixed with other output: where several tasks print, hold
 * the console's lock around each call. Everything else that the firmware prints between the lines is passed over.
 *
 * A line reads
 *
 *     @fs1 NUMBER TIME OPERATION ARGUMENTS CHECK
 *     @fs2 BOOT NUMBER TIME OPERATION ARGUMENTS CHECK     where the boots are numbered
 *
 * NUMBER counts the lines since the boot, TIME is in ms, both decimal. CHECK is the CRC-32 (as in zip files and
 * Ethernet) of all characters before it, the blank included, as eight hexadecimal digits. In a name every byte but the
 * visible characters of ASCII, and '%' and '@' as well, is written as %hh.
 */
#ifndef SIMFS_RECORDER_H
#define SIMFS_RECORDER_H

#include <stddef.h>
#include <stdint.h>

typedef struct {
    void (*put_char)(char c, void *context); /* puts one character on the console */
    uint32_t (*now_ms)(void *context);       /* tells the time, in ms */
    void *context;                           /* is handed to both */
    uint32_t number;                         /* of the next line; begin with 0 */
    uint32_t check;                          /* the line's CRC-32 so far; begin with 0 */
    uint32_t boot;                           /* the boot's number, or 0 */
} simfs_recorder;

static inline void simfs_put_char(simfs_recorder *recorder, char c)
{
    static const uint32_t half_byte[16] = {
        0x00000000u, 0x1db71064u, 0x3b6e20c8u, 0x26d930acu, 0x76dc4190u, 0x6b6b51f4u, 0x4db26158u, 0x5005713cu,
        0xedb88320u, 0xf00f9344u, 0xd6d6a3e8u, 0xcb61b38cu, 0x9b64c2b0u, 0x86d3d2d4u, 0xa00ae278u, 0xbdbdf21cu};
    recorder->check ^= (unsigned char)c;
    recorder->check = (recorder->check >> 4) ^ half_byte[recorder->check & 15u];
    recorder->check = (recorder->check >> 4) ^ half_byte[recorder->check & 15u];
    recorder->put_char(c, recorder->context);
}

static inline void simfs_put_text(simfs_recorder *recorder, const char *text)
{
    while (*text != '\0') simfs_put_char(recorder, *text++);
}

static inline void simfs_put_hex(simfs_recorder *recorder, uint32_t value, int digits)
{
    while (digits-- > 0) {
        simfs_put_char(recorder, "0123456789abcdef"[(value >> (4 * digits)) & 15u]);
    }
}

static inline void simfs_put_number(simfs_recorder *recorder, uint32_t value)
{
    uint32_t unit = 1;
    while (value / unit >= 10u) unit *= 10u;
    for (simfs_put_char(recorder, ' '); unit > 0; unit /= 10u) {
        simfs_put_char(recorder, "0123456789"[value / unit % 10u]);
    }
}

static inline void simfs_put_name(simfs_recorder *recorder, const char *name)
{
    for (simfs_put_char(recorder, ' '); *name != '\0'; name++) {
        unsigned char byte = (unsigned char)*name;
        if (byte > 0x20u && byte < 0x7fu && byte != '%' && byte != '@') {
            simfs_put_char(recorder, *name);
        } else {
            simfs_put_char(recorder, '%');
            simfs_put_hex(recorder, byte, 2);
        }
    }
}

static inline void simfs_begin_line(simfs_recorder *recorder, const char *operation)
{
    recorder->check = 0xffffffffu;
    simfs_put_text(recorder, recorder->boot != 0u ? "@fs2" : "@fs1");
    if (recorder->boot != 0u) simfs_put_number(recorder, recorder->boot);
    simfs_put_number(recorder, recorder->number++);
    simfs_put_number(recorder, recorder->now_ms(recorder->context));
    simfs_put_char(recorder, ' ');
    simfs_put_text(recorder, operation);
}

static inline void simfs_end_line(simfs_recorder *recorder)
{
    simfs_put_char(recorder, ' ');
    simfs_put_hex(recorder, recorder->check ^ 0xffffffffu, 8);
    simfs_put_char(recorder, '\n');
}

static inline void simfs_file_line(simfs_recorder *recorder, const char *operation, uint32_t file)
{
    simfs_begin_line(recorder, operation);
    simfs_put_number(recorder, file);
    simfs_end_line(recorder);
}

static inline void simfs_number_line(simfs_recorder *recorder, const char *operation, uint32_t file, uint32_t more)
{
    simfs_begin_line(recorder, operation);
    simfs_put_number(recorder, file);
    simfs_put_number(recorder, more);
    simfs_end_line(recorder);
}

/* The device started: no file is open, numbers of lines begin anew. `boot` is a number that no other boot of the log
 * has, such as a counter or a random number: so lines that a terminal sends again are known for sure. 0: none. */
static inline void simfs_record_numbered_boot(simfs_recorder *recorder, uint32_t boot)
{
    recorder->number = 0;
    recorder->boot = boot;
    simfs_begin_line(recorder, "boot");
    simfs_end_line(recorder);
}

static inline void simfs_record_boot(simfs_recorder *recorder)
{
    simfs_record_numbered_boot(recorder, 0);
}

/* Opened a file. `file` is a number of your choice, free again after its close; `mode` as for fopen. */
static inline void simfs_record_open(simfs_recorder *recorder, uint32_t file, const char *mode, const char *name)
{
    simfs_begin_line(recorder, "open");
    simfs_put_number(recorder, file);
    simfs_put_name(recorder, mode);
    simfs_put_name(recorder, name);
    simfs_end_line(recorder);
}

/* Wrote `length` bytes at the file's position; `data` may be NULL, then the line has their number only. */
static inline void simfs_record_write(simfs_recorder *recorder, uint32_t file, const void *data, uint32_t length)
{
    const unsigned char *bytes = (const unsigned char *)data;
    simfs_begin_line(recorder, "write");
    simfs_put_number(recorder, file);
    simfs_put_number(recorder, length);
    if (bytes != NULL && length > 0) {
        for (simfs_put_char(recorder, ' '); length > 0; length--) {
            simfs_put_hex(recorder, *bytes++, 2);
        }
    }
    simfs_end_line(recorder);
}

/* Read: `length` is how many bytes there were. */
static inline void simfs_record_read(simfs_recorder *recorder, uint32_t file, uint32_t length)
{
    simfs_number_line(recorder, "read", file, length);
}

/* Moved the file's position: `position` is where it stands now, from the start of the file. */
static inline void simfs_record_seek(simfs_recorder *recorder, uint32_t file, uint32_t position)
{
    simfs_number_line(recorder, "seek", file, position);
}

/* Cut an open file, or let it grow by zeros: `size` is its size now. The position stays. */
static inline void simfs_record_truncate(simfs_recorder *recorder, uint32_t file, uint32_t size)
{
    simfs_number_line(recorder, "truncate", file, size);
}

/* Made what was written durable; the file stays open. */
static inline void simfs_record_flush(simfs_recorder *recorder, uint32_t file)
{
    simfs_file_line(recorder, "flush", file);
}

static inline void simfs_record_close(simfs_recorder *recorder, uint32_t file)
{
    simfs_file_line(recorder, "close", file);
}

static inline void simfs_record_remove(simfs_recorder *recorder, const char *name)
{
    simfs_begin_line(recorder, "remove");
    simfs_put_name(recorder, name);
    simfs_end_line(recorder);
}

static inline void simfs_record_rename(simfs_recorder *recorder, const char *old_name, const char *new_name)
{
    simfs_begin_line(recorder, "rename");
    simfs_put_name(recorder, old_name);
    simfs_put_name(recorder, new_name);
    simfs_end_line(recorder);
}

#endif
