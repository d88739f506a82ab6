/* Finds and reads short recipes, which are what is read most, in few cycles and bytes. dw_recipes_read.c says the same in C;
 * of that the compiler makes a quarter more of either, for it keeps neither the place in Z nor the step in Y. */
#include <stddef.h>

#include "dw_recipes.h"
#include "dw_recipes_body.h"
#include "machine.h"

/* Z goes on past a recipe or a block by r24 bytes, or by 256 * r24 and the byte there. */
#define PASS "add r30, r24\n\tadc r31, __zero_reg__\n\t"
#define PASS_LONG "mov __tmp_reg__, r24\n\t" AVR_NEXT "add r30, r24\n\tadc r31, __tmp_reg__\n\t"

/* Passes over blocks, then over recipes, each of which begins before the servings. */
uint8_t dw_recipes_read(uint16_t index, dw_step_t *steps)
{
    dw_place_t at = dw_recipes.dictionary + dw_recipes.entries;
    bool found;

    if (index >= dw_recipes.count) {
        return DW_NO_RECIPE;
    }
    __asm__ volatile("rjmp 3f\n"
                     "1:\t" AVR_NEXT /* the length of a block */
                     "cpi r24, %[wide]\n\t"
                     "brsh 2f\n\t" PASS
                     "rjmp 3f\n"
                     "2:\tandi r24, 15\n\t" PASS_LONG
                     "3:\tcp r30, %A[end]\n\t"
                     "cpc r31, %B[end]\n\t"
                     "brsh 8f\n\t"
                     "subi %A[index], %[block]\n\t"
                     "sbci %B[index], 0\n\t"
                     "brsh 1b\n\t" /* else the recipe is in this block */
                     AVR_NEXT /* its length is of no use */
                     "cpi r24, %[wide]\n\t"
                     "brlo 4f\n\t"
                     "adiw r30, 1\n"
                     "4:\tsubi %A[index], -(%[block])\n\t"
                     "rjmp 7f\n"
                     "5:\t" AVR_NEXT /* the head of a recipe */
                     "cpi r24, %[least]\n\t"
                     "brlo 6f\n\t"
                     "swap r24\n\t"
                     "andi r24, 15\n\t" PASS
                     "rjmp 7f\n"
                     "6:\t" PASS_LONG
                     "7:\tcp r30, %A[end]\n\t"
                     "cpc r31, %B[end]\n\t"
                     "brsh 8f\n\t"
                     "subi %A[index], 1\n\t"
                     "brsh 5b\n\t"
                     "8:\tldi %[found], 0\n\t" /* the carry says it */
                     "rol %[found]"
                     : "+z"(at), [index] "+d"(index), [found] "=d"(found)
                     : [end] "r"(dw_recipes.servings), [block] "n"(DW_BLOCK), [wide] "n"(DW_WIDE), [least] "n"(DW_LONG)
                     : "r24");
    return found ? dw_recipe_steps(at, steps) : 0u;
}

/* Z: the place, kept in X meanwhile; Y: the step; r25: its output; T: the next dose waits. */
uint8_t dw_recipe_steps(dw_place_t at, dw_step_t *step)
{
    uint8_t head = dw_next(&at);
    uint8_t left = head >> 4;
    uint8_t count = 0;

    if (left == 0) {
        return dw_long_recipe_steps(at, head, step);
    }
    if (DW_CODES == 1u || at + left > dw_recipes.servings) {
        return 0;
    }
    step--;
    __asm__ volatile("bst %[head], 2\n"
                     "1:\t" AVR_NEXT /* a step */
                     ".if %[steps_max] < 15\n\t"
                     "cpi %[count], %[steps_max]\n\t"
                     "brsh 13f\n\t"
                     ".endif\n\t"
                     "movw r26, r30\n\t"
                     "adiw %[step], %[step_bytes]\n\t"
                     "mov r25, r24\n\t"
                     "swap r25\n\t"
                     ".if %[codes] == 32\n\t"
                     "lsr r25\n\t"
                     ".endif\n\t"
                     "andi r25, 255 / %[codes]\n\t"
                     "andi r24, %[codes] - 1\n\t"
                     "cp r24, %[entries]\n\t"
                     "brsh 5f\n\t"
                     "movw r30, %A[dictionary]\n\t" PASS AVR_NEXT /* the value from the dictionary */
                     "lds __tmp_reg__, %[grain]\n\t"
                     "mul r24, __tmp_reg__\n\t"
                     "movw r30, r0\n\t"
                     "clr __zero_reg__\n"
                     "2:\tsbiw r30, 0\n\t" /* the value in Z */
                     "breq 8f\n\t"
                     "std Y+%[left_at], r30\n\t"
                     "std Y+%[left_at]+1, r31\n\t"
                     "std Y+%[left_at]+2, __zero_reg__\n\t"
                     "std Y+%[left_at]+3, __zero_reg__\n\t"
                     "movw r30, r26\n\t"
                     "sbrc %[head], 3\n\t"
                     "rjmp 6f\n\t"
                     ".if %[channels] <= 255 / %[codes]\n\t"
                     "cpi r25, %[channels]\n\t"
                     "brsh 7f\n\t"
                     ".endif\n"
                     "3:\tbld r25, 7\n\t" /* a dose */
                     "clt\n"
                     "4:\tstd Y+%[phase_at], r25\n\t"
                     "inc %[count]\n\t"
                     "dec %[left]\n\t"
                     "breq 10f\n\t"
                     "brpl 1b\n"
                     "13:\trjmp 8f\n"
                     "5:\tdec %[left]\n\t" /* the value follows */
                     "clr __tmp_reg__\n\t" AVR_NEXT
                     "cpi r24, %[wide]\n\t"
                     "brlo 9f\n\t"
                     "andi r24, 15\n\t"
                     "mov __tmp_reg__, r24\n\t"
                     "dec %[left]\n\t" AVR_NEXT
                     "9:\tmovw r26, r30\n\t"
                     "mov r30, r24\n\t"
                     "mov r31, __tmp_reg__\n\t"
                     "rjmp 2b\n"
                     "6:\tsbrs r25, %[more_bit]\n\t" /* a stage */
                     "andi %[head], 0xF7\n\t"
                     "andi r25, (1 << %[more_bit]) - 1\n\t"
                     "subi r25, lo8(-(%[channels]))\n\t"
                     "cpi r25, %[outputs]\n\t"
                     "brlo 4b\n\t"
                     "rjmp 8f\n"
                     "7:\tcpi %[left], 1\n\t" /* no channel: the stage behind all? */
                     "brne 8f\n\t"
                     "sbrc %[head], 0\n\t"
                     "rjmp 3b\n"
                     "8:\tclr %[count]\n\t" /* broken */
                     "rjmp 12f\n"
                     "10:\tsbrc %[head], 3\n\t" /* that was the last one */
                     "rjmp 8b\n\t"
                     "sbrs %[head], 0\n\t"
                     "rjmp 11f\n\t"
                     "subi r25, lo8(-(%[channels]))\n\t"
                     "mov r24, r25\n\t"
                     "andi r24, 0x7F\n\t"
                     "cpi r24, %[outputs]\n\t"
                     "brsh 8b\n"
                     "11:\tsbrc %[head], 1\n\t"
                     "ori r25, 0x80\n\t"
                     "std Y+%[phase_at], r25\n"
                     "12:"
                     : "+z"(at), [step] "+y"(step), [head] "+d"(head), [left] "+d"(left), [count] "+d"(count)
                     : [dictionary] "r"(dw_recipes.dictionary), [entries] "r"(dw_recipes.entries),
                       [grain] "i"(&dw_recipes.grain), [codes] "n"(DW_CODES), [more_bit] "n"(DW_CODES == 32u ? 2 : 3),
                       [wide] "n"(DW_WIDE),
                       [channels] "n"(DW_CHANNELS), [outputs] "n"(DW_OUTPUTS), [steps_max] "n"(DW_STEPS_MAX),
                       [step_bytes] "n"(sizeof(dw_step_t)), [phase_at] "n"(offsetof(dw_step_t, phase)),
                       [left_at] "n"(offsetof(dw_step_t, left))
                     : "r24", "r25", "r26", "r27", "memory");
    return count;
}
