/*
 * uart: 115200 baud. Sending takes bytes straight from the firmware's frame; receiving goes through a ring.
 *
 * At 16 MHz the nearest rate is 117647, 2.1 % fast: within what a receiver stands, and hosts reckon line times with 3 % to spare.
 */
#include "avr.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

enum { RING = 64 }; /* 5.5 ms of line time; a power of two */

static volatile uint8_t ring[RING];
static volatile uint8_t head;
static volatile uint8_t tail;
static uint8_t last;
static struct avr_instant
    delimiter; /* when the last 00 came that ended a frame: the only byte whose instant matters */

static const uint8_t *volatile next;
static volatile uint8_t left;
static bool sent; /* anything at all since power-up: TXC0 then tells of the end */

void uart_init(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = 16;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0;
    uint8_t after = (uint8_t)((head + 1) % RING);
    /* The next frame's opening 00 comes before the loop has looked at this one's closing 00. */
    if (byte == 0 && last != 0) {
        delimiter = tick_note();
    }
    last = byte;
    if (after != tail) { /* full: the byte is lost, the frame's crc will say so */
        ring[head] = byte;
        head = after;
    }
}

ISR(USART_UDRE_vect)
{
    UDR0 = *next++;
    if (--left == 0) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    }
}

void uart_send(void *ctx, const uint8_t *bytes, uint8_t n)
{
    (void)ctx;
    next = bytes;
    left = n;
    sent = true;
    UCSR0A = _BV(U2X0) | _BV(TXC0); /* writing a one clears it */
    UCSR0B |= _BV(UDRIE0);
}

bool uart_idle(void *ctx)
{
    (void)ctx;
    return left == 0 && (!sent || (UCSR0A & _BV(TXC0)) != 0);
}

bool uart_take(uint8_t *byte, uint64_t *tick_us)
{
    struct avr_instant instant;
    if (tail == head) {
        return false;
    }
    *byte = ring[tail];
    tail = (uint8_t)((tail + 1) % RING);
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        instant = *byte == 0 ? delimiter : tick_note();
    }
    *tick_us = tick_of(instant);
    return true;
}
