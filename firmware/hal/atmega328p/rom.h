/* ROM puts a constant into program memory; it is then read there like any other. */
#ifndef ROM_H
#define ROM_H

#define ROM __flash

#endif
