/* Text for the serial line. It is put into memory and goes out whenever the line takes
   a byte, so that nothing waits for it while a clip plays. */
#ifndef TEXT_H
#define TEXT_H

#include <stdint.h>

void text(const char *s);
void text_number(uint32_t n);
void text_hex(uint32_t n);

int text_room(uint32_t bytes); /* whether so many can be put without waiting */
int text_pump(void);           /* sends what goes out at once; whether some is left */
void text_flush(void);

#endif
