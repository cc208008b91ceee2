#include "contact.h"

enum { WORST_NS = 6200000, SHORTEST_NS = 20000, LONGEST_NS = 1000000 };

/* An exponential of mean 1.75 ms, cut at 6.2 ms, has a mean of 1.75 - 6.2 e/(1 - e) = 1.565 ms, e = exp(-6.2 / 1.75). */
static const double SCALE_NS = 1.75e6;
static const double PIECE_NS = 1.3e5;

int64_t contact_chatter_ns(struct chance *chance)
{
    double ns = 0;
    do {
        ns = SCALE_NS * chance_exponential(chance);
    } while (ns > (double)WORST_NS);
    return (int64_t)ns;
}

static void add(struct contact_press *press, int64_t at_ns, bool closed)
{
    press->edge[press->count++] = (struct contact_edge){at_ns, closed};
}

static int64_t piece_ns(struct chance *chance)
{
    double ns = SHORTEST_NS + PIECE_NS * chance_exponential(chance);
    return ns < (double)LONGEST_NS ? (int64_t)ns : LONGEST_NS;
}

/* The contact becomes `closed` at `from`, goes to and fro, and is `closed` for good at `until` at the latest. */
static void chatter(struct contact_press *press, struct chance *chance, int64_t from_ns, int64_t until_ns,
                    bool closed)
{
    size_t room = CONTACT_EDGES_MAX / 2;
    add(press, from_ns, closed);
    int64_t at_ns = from_ns;
    for (size_t pairs = 1; 2 * pairs + 1 < room; pairs++) {
        int64_t away_ns = at_ns + piece_ns(chance);
        int64_t back_ns = away_ns + piece_ns(chance);
        if (back_ns >= until_ns)
            return;
        add(press, away_ns, !closed);
        add(press, back_ns, closed);
        at_ns = back_ns;
    }
}

void contact_make(struct contact_press *press, struct chance *chance, int64_t down_ns, int64_t hold_ns,
                  bool bounces)
{
    if (hold_ns < 1000000)
        hold_ns = 1000000;
    int64_t up_ns = down_ns + hold_ns;
    press->count = 0;
    if (!bounces) {
        add(press, down_ns, true);
        add(press, up_ns, false);
        return;
    }
    int64_t settled_ns = down_ns + contact_chatter_ns(chance);
    chatter(press, chance, down_ns, settled_ns < up_ns ? settled_ns : up_ns, true);
    chatter(press, chance, up_ns, up_ns + contact_chatter_ns(chance), false);
}
