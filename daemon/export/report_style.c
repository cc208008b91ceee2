/*
 * The page's style: one column, two typefaces of the reader's own machine, colours as variables for light and dark. Contrasts (WCAG 2.1,
 * 1.4.3 and 1.4.11): letters at least 4.5 to 1, lines and signs that carry meaning at least 3 to 1, in both themes.
 */
#include "export/report_part.h"

static const char COLOURS[] =
    ":root{color-scheme:light dark;--paper:#fcfbf8;--ink:#1b2328;--soft:#55616a;--rule:#d8d6ce;--sea:#f1f4f3;"
    "--deep:#17597a;--warm:#a03b1e;--salt:#47681c;--seen:#7a2f68;--taken:#8a5a00;--fix:#7b8891;--ship:#"
    "6b6f3f;"
    "--band:#dfe6e7;--bottom:#b9cdd3;--stripe:#f4f2ec;--ask:#fbf0d9}\n"
    "@media "
    "(prefers-color-scheme:dark){:root{--paper:#12171b;--ink:#e6e8e4;--soft:#a5b0b6;--rule:#343d43;--sea:#"
    "182026;"
    "--deep:#7fc1e0;--warm:#f0a07e;--salt:#b4d07c;--seen:#e09fcf;--taken:#e6bd62;--fix:#77858f;--ship:#"
    "b9bd84;"
    "--band:#27333a;--bottom:#38505b;--stripe:#192025;--ask:#352c17}}\n";

static const char TEXT[] =
    "*{box-sizing:border-box}html{scroll-padding-top:1rem}\n"
    "body{margin:0 auto;padding:2.5rem 1.25rem 4rem;max-width:62rem;background:var(--paper);color:var(--ink);"
    "font:1rem/1.5 system-ui,-apple-system,'Segoe UI','Liberation Sans','DejaVu Sans',sans-serif;"
    "overflow-wrap:break-word}\n"
    "h1,h2,h3{font-family:Charter,'Bitstream Charter',Georgia,'Liberation Serif','DejaVu Serif',serif;"
    "font-weight:600;line-height:1.2}\n"
    "h1{font-size:2.1rem;margin:0 0 .4rem}h2{font-size:1.45rem;margin:3.2rem 0 .8rem;padding-top:.8rem;"
    "border-top:2px solid var(--ink)}h3{font-size:1.08rem;margin:1.8rem 0 .5rem}\n"
    "p{margin:.4rem 0 .8rem;max-width:44rem}a{color:var(--deep);text-underline-offset:.15em}"
    ".soft{color:var(--soft)}.nw{white-space:nowrap}.facts{margin:.1rem 0;color:var(--soft)}.facts "
    "span{margin-right:1.2em}"
    ".facts b{color:var(--ink);font-weight:600}\n"
    ":focus-visible{outline:3px solid var(--deep);outline-offset:2px}main:focus{outline:none}\n"
    ".skip{position:absolute;left:-99rem}.skip:focus{left:1rem;top:.5rem;padding:.4rem "
    ".8rem;background:var(--ink);"
    "color:var(--paper)}\n"
    "nav ul{list-style:none;margin:1.2rem 0 0;padding:0;display:flex;flex-wrap:wrap;gap:.2rem 1.3rem}"
    "nav a{display:inline-block;padding:.25rem 0}\n"
    "footer{margin-top:4rem;border-top:1px solid var(--rule);font-size:.85rem;color:var(--soft)}\n";

static const char NUMBERS[] =
    ".numbers{display:grid;grid-template-columns:repeat(auto-fill,minmax(13.5rem,1fr));gap:1.1rem "
    "1.6rem;margin:0}"
    ".numbers dt{font-size:.85rem;color:var(--soft)}.numbers dd{margin:0;font-size:1.35rem;line-height:1.25;"
    "font-variant-numeric:tabular-nums}.numbers dd .soft{display:block;font-size:.85rem;line-height:1.35}\n";

static const char TABLES[] =
    ".wide{overflow-x:auto;margin:1rem 0 1.6rem}table{border-collapse:collapse;width:100%;font-size:.9rem;"
    "line-height:1.4;font-variant-numeric:tabular-nums}\n"
    "caption{text-align:left;font-weight:600;padding:0 0 .4rem}th,td{text-align:left;vertical-align:top;"
    "padding:.4rem .9rem .4rem 0;border-bottom:1px solid var(--rule)}thead "
    "th{color:var(--soft);font-weight:500;"
    "border-bottom:1px solid var(--ink);white-space:nowrap}tbody th{font-weight:500;white-space:nowrap}\n"
    ".label{font-weight:600}.count{font-weight:400;white-space:nowrap}.name "
    "i{font-style:italic}.was{font-size:.85rem}"
    ".tc{white-space:nowrap}ul.said{margin:0;padding:0;list-style:none}"
    ".said li{margin:0 0 .15rem}.ask{background:var(--ask);padding:.05rem .4rem;margin-left:-.4rem!important;"
    "border-left:3px solid var(--taken)}\n"
    ".still{display:block;max-width:100%;width:20rem;height:auto;margin:.5rem 0}\n"
    ".rod{display:inline-block;min-width:7rem;background:linear-gradient(var(--bottom),var(--bottom)) "
    "no-repeat left "
    "bottom/var(--w) .3rem;padding-bottom:.35rem}\n"
    "tr:target th,th:target{background:var(--ask)}.asked{margin:0 0 2.4rem}\n";

static const char DRAWINGS[] =
    "figure{margin:.4rem 0 1.4rem}figure>svg{display:block;width:100%;height:auto}"
    "figcaption{font-size:.88rem;color:var(--soft);margin-top:.4rem;max-width:46rem}"
    ".legend{display:inline-block;margin-right:.6em;color:var(--ink)}.sign{width:22px;height:10px;margin:0 "
    ".35em 0 .7em}"
    ".legend .sign:first-child{margin-left:0}\n"
    "svg text{font-size:12px;fill:var(--soft);font-family:system-ui,-apple-system,'Segoe UI','Liberation "
    "Sans','DejaVu "
    "Sans',sans-serif;font-variant-numeric:tabular-nums}.mid{text-anchor:middle}.end{text-anchor:end}\n"
    "svg "
    "path{fill:none;stroke-linejoin:round}.grid{stroke:var(--rule);stroke-width:1}.axis{stroke:var(--soft);"
    "stroke-width:1}svg .sea{fill:var(--sea);stroke:var(--rule)}\n"
    ".fixes{stroke:var(--fix);stroke-width:2;stroke-linecap:round}.few{stroke-width:3.6}.track{stroke:var(--"
    "deep);stroke-width:2.2;"
    "stroke-linecap:round}.ship{stroke:var(--ship);stroke-width:1.4;stroke-dasharray:5 4}\n"
    ".seen{fill:var(--seen);stroke:var(--paper);stroke-width:1}.crowd{stroke-width:.4}.seen-dots.crowd{"
    "stroke-width:3}.seen-dots{stroke:var(--seen);stroke-width:5;"
    "stroke-linecap:round}svg .taken{fill:var(--taken);stroke:var(--paper);stroke-width:1}\n"
    "svg "
    ".num{fill:var(--ink);font-size:11.5px;paint-order:stroke;stroke:var(--sea);stroke-"
    "width:3px}"
    "svg .key{fill:var(--ink)}svg .plate{fill:var(--sea)}.bar,.north{stroke:var(--ink);stroke-width:1.6}\n"
    ".line{stroke-width:1.4}.depth{stroke:var(--deep)}.warm{stroke:var(--warm)}.salt{stroke:var(--salt)}"
    "svg .phase,svg .span{fill:var(--band);stroke:var(--soft);stroke-width:.6}svg .bottom{fill:var(--bottom)}"
    "svg .transect{fill:var(--bottom);stroke:var(--deep);stroke-width:1}svg "
    ".band-name{fill:var(--ink);font-size:11px}\n"
    "svg .tc-locked{fill:var(--deep)}svg .tc-carried{fill:var(--taken)}svg "
    ".tc-none{fill:var(--band);stroke:var(--soft)}"
    ".jump{stroke:var(--warm);stroke-width:2}\n";

/* Letters grow against the drawing as it shrinks, and every second of them goes; tables become blocks with their titles at the left. */
static const char NARROW[] =
    "@media (max-width:40rem){body{padding:1.4rem 1rem 3rem}h1{font-size:1.7rem}h2{margin-top:2.4rem}"
    ".numbers{grid-template-columns:1fr 1fr;gap:.9rem 1rem}.numbers dd{font-size:1.15rem}"
    "svg text{font-size:23px}svg .num{font-size:21px;stroke-width:5px}svg .o{display:none}.sign "
    "text{font-size:12px}"
    ".line{stroke-width:2.4}.track{stroke-width:3.4}.fixes{stroke-width:3.4}.few{stroke-width:6}figure>svg "
    ".seen{r:6px}.seen-dots{stroke-width:10}figure>svg .seen.crowd{r:4px}.seen-dots.crowd{stroke-width:5}"
    "figure>svg .taken{transform-box:fill-box;transform-origin:center;transform:scale(1.8)}\n"
    ".stack,.stack tbody,.stack tr,.stack td,.stack th,.stack caption{display:block}.stack "
    "thead{position:absolute;"
    "width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}"
    ".stack tr{padding:.6rem 0;border-bottom:1px solid var(--rule)}.stack td,.stack "
    "th{border:0;padding:.1rem 0}"
    ".stack td{position:relative;padding-left:6.4rem;min-height:1.4em}"
    ".stack "
    "td::before{content:attr(data-l);position:absolute;left:0;top:.15rem;width:6rem;color:var(--soft);font-"
    "size:.82rem}"
    ".stack td:empty{display:none}.stack tbody th{font-size:1rem;font-weight:600}}\n";

static const char PRINT[] =
    "@page{margin:16mm 14mm}\n"
    "@media "
    "print{:root{color-scheme:light;--paper:#fff;--ink:#000;--soft:#444;--rule:#ccc;--sea:#fff;--deep:#"
    "17597a;"
    "--warm:#a03b1e;--salt:#47681c;--seen:#7a2f68;--taken:#8a5a00;--fix:#7b8891;--ship:#6b6f3f;--band:#"
    "e6ebec;"
    "--bottom:#c6d6db;--ask:#f7eeda}html{print-color-adjust:exact;-webkit-print-color-adjust:exact}"
    "body{padding:0;max-width:none;font-size:9.5pt}h1{font-size:20pt}h2{font-size:13.5pt;margin-top:1.6rem;"
    "break-after:avoid}h3{font-size:10.5pt;break-after:avoid}table{font-size:8.2pt}nav,.skip{display:none}"
    "a{color:inherit;text-decoration:none}.wide{overflow:visible}tr,figure,.numbers>div{break-inside:avoid}"
    "thead{display:table-header-group}h2+p,caption{break-after:avoid}figure>svg{max-height:125mm}.numbers{"
    "grid-template-columns:repeat(4,1fr)}.numbers "
    "dd{font-size:12pt}"
    "figcaption,.numbers dd .soft{font-size:8pt}footer{font-size:7.5pt}}\n";

void report_style(FILE *out)
{
    fputs(COLOURS, out);
    fputs(TEXT, out);
    fputs(NUMBERS, out);
    fputs(TABLES, out);
    fputs(DRAWINGS, out);
    fputs(NARROW, out);
    fputs(PRINT, out);
}
