/* The serial line (datasheet: USART0), 8N1, at double speed; from 16 MHz that gives 117647 baud, 2.1 % more than 115200, which both ends
 * can live with. Two rings of bytes: each index is one byte and has one writer, so nothing has to be held. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "hardware.h"
#include "link.h"
#include "pins.h"

enum { IN = 128, OUT = 128 }; /* powers of two, at most 128 */

static volatile uint8_t in[IN], in_put, in_got; /* in_put is the interrupt's, in_got the main loop's */
static volatile uint8_t out[OUT], out_put, out_got; /* the other way round */

ISR(USART_RX_vect)
{
	uint8_t byte = UDR0;
	if ((uint8_t)(in_put - in_got) < IN) { /* else it is lost, and the link drops the frame that it was in */
		in[in_put % IN] = byte;
		in_put++;
	}
}

ISR(USART_UDRE_vect)
{
	if (out_got == out_put) {
		UCSR0B &= (uint8_t)~(1 << UDRIE0);
		return;
	}
	UDR0 = out[out_got % OUT];
	out_got++;
}

void serial_start(void)
{
	UCSR0A = 1 << U2X0; /* before UBRR0, by which simavr reckons how long a byte takes */
	UBRR0 = (F_CPU / 4 / LINK_BAUD - 1) / 2;
	UCSR0C = 1 << UCSZ01 | 1 << UCSZ00;
	UCSR0B = 1 << RXCIE0 | 1 << RXEN0 | 1 << TXEN0;
}

int16_t serial_get(void)
{
	if (in_got == in_put)
		return -1;
	uint8_t byte = in[in_got % IN];
	in_got++;
	return byte;
}

uint8_t serial_room(void)
{
	return OUT - (uint8_t)(out_put - out_got);
}

void serial_put(uint8_t byte)
{
	if (serial_room() == 0)
		return;
	out[out_put % OUT] = byte;
	out_put++;
	uint8_t interrupts = interrupts_hold(); /* the interrupt switches itself off in the same register */
	UCSR0B |= 1 << UDRIE0;
	interrupts_release(interrupts);
}
