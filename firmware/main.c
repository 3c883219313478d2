#include "board.h"

int main(void)
{
    board_begin();
    for (;;) {
        board_step();
    }
}
