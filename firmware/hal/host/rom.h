/* On a computer a constant is memory like any other. */
#ifndef ROM_H
#define ROM_H

#define ROM

#endif
