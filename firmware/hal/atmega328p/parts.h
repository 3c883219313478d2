/* How each part of the hardware is set up; hal_begin() calls them, switches first. */
#ifndef PARTS_H
#define PARTS_H

void switches_begin(void);
void clock_begin(void);
void serial_begin(void);

#endif
