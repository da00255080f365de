#include <string_view>

#include "report/report_page.hpp"

namespace cw {

namespace {

// Okabe and Ito's palette; in the dark some are lightened where they would not stand out as strokes.
constexpr std::string_view style = R"css(
:root{color-scheme:light dark;--paper:#fff;--ink:#16181d;--soft:#4d535e;--edge:#c9ced8;--panel:#f4f6f9;
--blue:#0072b2;--sky:#56b4e9;--green:#009e73;--orange:#e69f00;--red:#d55e00;--purple:#a8527f;--yellow:#f0e442;--on-red:#fff}
@media (prefers-color-scheme:dark){:root{--paper:#14171c;--ink:#eceff4;--soft:#b3bac6;--edge:#414957;--panel:#1d222a;
--blue:#56b4e9;--sky:#56b4e9;--green:#1fc79a;--orange:#e69f00;--red:#ff7a2e;--purple:#cc79a7;--on-red:#14171c}}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,"Segoe UI",Roboto,"DejaVu Sans",sans-serif}
main,header,footer{max-width:70rem;margin:0 auto;padding:0 1rem}
header{padding-top:1.25rem}
h1{font-size:1.05rem;margin:0;color:var(--soft);font-weight:600}
h2{font-size:1.3rem;line-height:1.25;margin:2.5rem 0 .75rem;padding-top:.5rem;border-top:1px solid var(--edge)}
h3{font-size:1.05rem;margin:1.75rem 0 .35rem}
p,ul,ol{margin:.4rem 0 .8rem;max-width:46rem}
li{margin:.2rem 0}
a{color:var(--blue)}
a:focus-visible,.plot:focus-visible,.wide:focus-visible,summary:focus-visible{outline:3px solid var(--blue);outline-offset:2px}
.about{color:var(--soft);margin:.15rem 0 .75rem}
.verdict{display:grid;grid-template-columns:minmax(0,3fr) minmax(0,2fr);gap:0 2rem;border:3px solid var(--mark);
border-left-width:14px;border-radius:6px;padding:.9rem 1.2rem 1rem;margin:.75rem 0 1rem;background:var(--panel);break-inside:avoid}
.v-stop,.v-faults{--mark:var(--red)}.v-warnings{--mark:var(--orange)}.v-none{--mark:var(--blue)}.v-nothing{--mark:var(--soft)}
.verdict .word{font-weight:700;letter-spacing:.04em;text-transform:uppercase;font-size:.95rem;margin:0}
.verdict h2{border:0;margin:.1rem 0 .5rem;padding:0;font-size:1.75rem;grid-column:1/-1}
.verdict .word{grid-column:1/-1}
.verdict h3{margin:.25rem 0 .25rem;font-size:1rem}
.verdict ul{padding-left:1.1rem;margin-bottom:.3rem}
.caution{border:2px solid var(--red);border-radius:6px;padding:.5rem 1rem;background:var(--panel)}
.checks li{margin:.35rem 0}.by{color:var(--soft)}
nav ul{display:flex;flex-wrap:wrap;gap:.1rem 1.1rem;list-style:none;padding:0;max-width:none}
nav li{margin:0}nav a{display:inline-block;padding:.3rem 0}
.trouble{border-left:6px solid var(--mark,var(--edge));padding:.1rem 0 .1rem 1rem;margin:1.2rem 0;break-inside:avoid}
.t-fault{--mark:var(--red)}.t-warning{--mark:var(--orange)}.t-info{--mark:var(--sky)}
.trouble h3{margin:.1rem 0 .2rem}.trouble p{margin:.2rem 0}
.tag{display:inline-block;border:1px solid currentColor;border-radius:4px;padding:0 .4rem;font-size:.8rem;font-weight:600;margin-right:.4rem}
.wide{overflow-x:auto;margin:.5rem 0 1rem}
table{border-collapse:collapse;font-size:.92rem}
caption{text-align:left;color:var(--soft);padding:.2rem 0}
th,td{text-align:left;vertical-align:top;padding:.25rem .9rem .25rem 0;border-bottom:1px solid var(--edge)}
td.num,th.num{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
thead th{border-bottom:2px solid var(--edge)}
.nw{white-space:nowrap}
pre{background:var(--panel);border:1px solid var(--edge);border-radius:4px;padding:.75rem;overflow-x:auto;font:.85rem/1.4 ui-monospace,"DejaVu Sans Mono",monospace}
summary{cursor:pointer;padding:.3rem 0}
.plot{overflow-x:auto;margin:.5rem 0 .25rem}
.plot svg{display:block;width:100%;min-width:44rem;height:auto}
figure{margin:0 0 1rem;break-inside:avoid}figcaption{max-width:46rem}
footer{margin-top:2.5rem;padding-bottom:2rem;color:var(--soft);font-size:.9rem}
svg text{font:12px system-ui,"Segoe UI",Roboto,"DejaVu Sans",sans-serif;fill:var(--soft)}
svg .h{font-weight:600;fill:var(--ink)}svg .n{font-variant-numeric:tabular-nums}
svg .am{text-anchor:middle}svg .ae{text-anchor:end}
svg line,svg path{fill:none}
svg .grid{stroke:var(--edge);stroke-width:.6}svg .zero{stroke:var(--soft);stroke-width:1}
svg .axis{stroke:var(--soft)}svg .frame{fill:none;stroke:var(--edge)}
svg .limit{stroke:var(--red);stroke-width:1.2;stroke-dasharray:2 4}
.a-band,.b-band,.c-band,.d-band,.o-band{opacity:.3}
svg .a-band{fill:var(--blue)}svg .a-line{stroke:var(--blue)}svg .b-band{fill:var(--purple)}svg .b-line{stroke:var(--purple)}
svg .c-band{fill:var(--green)}svg .c-line{stroke:var(--green)}svg .d-band{fill:var(--sky)}svg .d-line{stroke:var(--blue)}
svg .o-band{fill:none}svg .o-line{stroke:var(--orange);stroke-dasharray:5 3}
.a-line,.b-line,.c-line,.d-line,.o-line{stroke-width:1.4}
svg .m-fault{fill:var(--red);stroke:var(--ink)}svg .m-warning{fill:var(--orange);stroke:var(--ink)}svg .m-note{fill:var(--sky);stroke:var(--ink)}
svg .s-cycle{fill:var(--green)}svg .s-turn{fill:var(--sky)}svg .s-search{fill:var(--orange)}svg .s-none{fill:var(--soft)}svg .s-lost{fill:var(--red)}
svg .fault-line{stroke:var(--red);stroke-width:1;stroke-dasharray:1 3}
svg .silent{fill:var(--paper);stroke:var(--soft);stroke-dasharray:3 3}
svg .missing{fill:var(--soft);opacity:.35}
svg .hold{fill:none;stroke:var(--purple);stroke-width:1.8}
svg .whisker{stroke:var(--blue);stroke-width:1.2}svg .dot{fill:var(--blue);stroke:var(--paper)}
svg .tooth{stroke:var(--ink);stroke-width:2}svg .tooth-unsure{stroke:var(--soft);stroke-width:1.4;stroke-dasharray:2 2}
svg .miss{fill:var(--paper);stroke:var(--red);stroke-width:2.5}
svg .odd{stroke:var(--red);stroke-width:2.6}svg .odd-label{fill:var(--ink);font-weight:600}svg .odd-lead{stroke:var(--red);stroke-width:1}
svg .edge{stroke:var(--blue);stroke-width:1.5}svg .edge-head{fill:var(--blue)}
svg .edge-unplaced{stroke:var(--soft);stroke-width:1.4;stroke-dasharray:3 2}svg .edge-other{stroke:var(--soft);stroke-width:1}
svg .span{fill:var(--green);opacity:.25}svg .span-missing{fill:none;stroke:var(--red);stroke-width:1.6;stroke-dasharray:5 3}
svg .unknown{fill:var(--soft);opacity:.18}
svg .in-sync{fill:var(--green);opacity:.55}svg .out-of-sync{fill:var(--red)}svg .on-bar{fill:var(--on-red);font-weight:600}
svg .here{stroke:var(--ink);stroke-width:1;stroke-dasharray:1 3}svg .tdc{stroke:var(--soft);stroke-width:1;stroke-dasharray:6 3}
.key{display:flex;flex-wrap:wrap;gap:.15rem 1.2rem;list-style:none;padding:0;font-size:.9rem;max-width:none}
.key svg{width:26px;height:16px;vertical-align:-3px;margin-right:.3rem}
@media (max-width:48rem){.verdict{grid-template-columns:minmax(0,1fr)}.verdict h2{font-size:1.35rem}h2{font-size:1.15rem}body{font-size:15px}
.plot svg{min-width:56rem}.plot::before{content:"\2194  drag sideways to see all";color:var(--soft);font-size:.85rem;position:sticky;left:0}}
@media print{
@page{size:A4;margin:14mm}
:root{color-scheme:light;--paper:#fff;--ink:#000;--soft:#3b3f46;--edge:#b5bac3;--panel:#fff;--blue:#0072b2;--green:#009e73;--red:#d55e00;--purple:#a8527f;--on-red:#fff}
html{font-size:10pt}body{font-size:1rem}nav,.plot::before{display:none}
details::details-content{content-visibility:visible;block-size:auto}
main,header,footer{max-width:none;padding:0}
h2,h3{break-after:avoid}.plot,.wide{overflow:visible}.plot svg{min-width:0}tr{break-inside:avoid}
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}
pre{white-space:pre-wrap;overflow-wrap:anywhere}
}
)css";

}  // namespace

std::string_view page_style() {
  return style;
}

}  // namespace cw
