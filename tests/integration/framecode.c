/*
 * framecode: video whose every frame carries its number in its pixels, so that a cut can be checked by looking at what is shown.
 *
 *   framecode make FIRST COUNT   writes COUNT frames, yuv420p of 160 x 96, numbered from FIRST
 *   framecode read               reads frames, gray of 160 x 96, and prints a number a line; "?" where they are none
 *
 * A frame is 5 x 4 blocks of 32 x 24, the highest bit first: 19 bits of the number, and one that makes the ones even. A bar moves along the
 * lower edge of each block, so that an encoder has something to predict.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { WIDTH = 160, HEIGHT = 96, ACROSS = 5, DOWN = 4, BITS = ACROSS * DOWN };
#define BLOCK_W (WIDTH / ACROSS)
#define BLOCK_H (HEIGHT / DOWN)

static unsigned ones(unsigned long value)
{
    unsigned count = 0;
    for (; value != 0; value >>= 1)
        count += value & 1U;
    return count;
}

static void draw(unsigned char *y, unsigned long number)
{
    unsigned long word = number << 1 | (ones(number) & 1U);
    for (unsigned row = 0; row < HEIGHT; row++) {
        for (unsigned column = 0; column < WIDTH; column++) {
            unsigned bit = row / BLOCK_H * ACROSS + column / BLOCK_W;
            unsigned char level = (word >> (BITS - 1 - bit) & 1U) != 0 ? 225 : 30;
            if (row % BLOCK_H == BLOCK_H - 2 && (column + number) % BLOCK_W < 8)
                level = 128;
            y[row * WIDTH + column] = level;
        }
    }
}

static int make(unsigned long first, unsigned long count)
{
    static unsigned char frame[WIDTH * HEIGHT * 3 / 2];
    memset(frame + WIDTH * HEIGHT, 128, WIDTH * HEIGHT / 2);
    for (unsigned long i = 0; i < count; i++) {
        draw(frame, first + i);
        if (fwrite(frame, 1, sizeof frame, stdout) != sizeof frame)
            return 1;
    }
    return fflush(stdout) == 0 ? 0 : 1;
}

/* The middle of each block; a level that is neither makes the frame unreadable. */
static int look(const unsigned char *y, unsigned long *number)
{
    unsigned long word = 0;
    for (unsigned bit = 0; bit < BITS; bit++) {
        unsigned row = bit / ACROSS * BLOCK_H + BLOCK_H / 2, column = bit % ACROSS * BLOCK_W + BLOCK_W / 2;
        unsigned char level = y[row * WIDTH + column];
        if (level > 90 && level < 165)
            return 0;
        word = word << 1 | (level >= 165);
    }
    *number = word >> 1;
    return (ones(word) & 1U) == 0;
}

static int read_all(void)
{
    static unsigned char frame[WIDTH * HEIGHT];
    unsigned long number;
    while (fread(frame, 1, sizeof frame, stdin) == sizeof frame) {
        if (look(frame, &number))
            printf("%lu\n", number);
        else
            puts("?");
    }
    return 0;
}

int main(int argc, char **argv)
{
    if (argc == 4 && strcmp(argv[1], "make") == 0)
        return make(strtoul(argv[2], NULL, 10), strtoul(argv[3], NULL, 10));
    if (argc == 2 && strcmp(argv[1], "read") == 0)
        return read_all();
    fputs("framecode make FIRST COUNT | framecode read\n", stderr);
    return 2;
}
