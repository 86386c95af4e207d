"""All that is estimated for one frame. `fit` calls the estimates of the stages, each as soon as its inputs are known.

Unusable parts of the strips are left out in one of five ways. Later stages need not know which: all of them end as lost
samples in the strip's `Dropouts`. Its `blocks` keep the reasons, and `strip_warnings` reports them.

Dropouts of the tape, slipped lines, stuck samples: `find_lost` finds them when a strip is first read.
Lines that show different film from the neighbouring strips: `tone.strange_lines` finds them in the residuals of the
    fits, `strange` adds them to the `Dropouts`, and everything is fitted once more.
Lines that a damaged file has lost: `StripRaster` reads them as zeros and lists them as `unread`; `damage` reports them.
Lines with a stuck bit or inverted video (`spoilt_lines`, which reports them), and missing or repeated lines of film
    (`sweep.line_breaks`; `damage` reports them): the strip is rebuilt from `pieces` of its file and surveyed again.
    Lines between the pieces are unread as well. Only missing or repeated film moves the lines behind it.
Strips that are not what the description says, or that no file holds: `first_places` counts all of their samples as lost
    and gives each a `LeftOut`. The reason in it is all that is reported of them.
"""
