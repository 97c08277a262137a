"""How far a placed fragment may still be from the truth, and in which direction.

What it means
    ``u95_mm`` bounds, with 95 % confidence, the displacement of the worst point
    of a fragment against the first placed fragment. ``weakest`` says in words
    which motion is held least, and the covariance of all poses carries this to
    any dimension across a joint. All speak of the placing only: a wrong match,
    a bent fragment or a scan out of scale is not covered. It is a statement in
    the sense of JCGM 100: what one may believe after these scans, given what
    was expected before them (below).

How it is found
    1. Scan noise is alike over several spacings, so pairs of points are not
       independent. The residuals' own correlation over distance is measured,
       and the least squares weighs by it (`noise`): the level of a patch, in
       which neighbours err together, counts for less, its fine relief for
       more. Taking the pairs for independent would understate the error about
       threefold, and err more. The weights trust half of the correlation and
       none from block to block; the covariance counts all of it, as it was
       measured (`noise.noise_of_right`), or the tilt of a flat face would be
       understated by a quarter. Where the answer so found lies farther from
       that of plain least squares than such noise sets them apart, it is not
       what it was taken for, and all pairs weigh alike (`weighing`).
    2. What no noise model knows (rims, chips, uneven wear) shows when one block
       of the face after the other is left out (`equations.patch_scores`). Both
       covariances are added: either alone covered too little.
       Slow errors of a scanner, in waves about as long as the face, tilt it as
       a whole; what the pose could not take up of them tells their length and
       size, where that is plainly likelier than noise and unevenness from block
       to block (`slow`). On a face of few blocks, or of waves longer than twice
       its radius, nothing tells, and no bound covers it (a warp of 0.03 mm
       across a bar 8 mm thick moves its end 300 mm away by a millimetre).
    3. Noise in the normals looks like relief. The information is made of one
       scan's normals times the other's, whose noise is independent
       (`equations.crossed_information`), so a flat face claims no hold it
       lacks; a motion that is held by less than a tenth so is not followed.
    4. The original surfaces run on across the crack. Over each short stretch of
       the rim one smooth surface with a step is fitted to both fragments
       (`rejoin.core.contact.skirts`); the steps are observations of the pose,
       independent of the fracture faces and of what those have lost. Stretches
       that are rough, sharp or stand out are left out; their weight is their
       own scatter. What they would hold only by the noise of their normals
       (the gap, along a straight part) is taken out of them.
       Where planes meet the crack on both fragments they are followed far beyond
       it (`rejoin.core.contact.levels`): their blocks' own scatter says how well
       they are known. Those that bend, are uneven, or contradict the faces or
       most of the others (a part that was bent) are left out.
    5. Where all this leaves a motion open (a flat break across a round bar may
       turn), the faces stay within a few spacings of where the search put them,
       and the bound says so.
    6. A layer may be missing between worn faces. It is measured by a least
       squares in which it is free, its noise counted once (the larger of what
       1 and 2 make of it), and weighed against none (`layers`): before
       looking, as likely none as some, and some is usually less than a spacing.
       A clean face in relief thereby draws the bound together, and one that
       cannot tell keeps it wide. The faces are set apart where a layer is
       three times as likely as none, and thicker than scans that show steep
       places a little apart could pretend (measured on scans made on grids of
       their own: up to some thousandths of the spacing, which on gentle relief
       passes for a layer of half a spacing). What remains open spreads the
       pose along the motion that the layer causes. Rims that the scanner
       rounded off would pass for wear: they are left out where the gap along
       them differs from the gap within (`rejoin.core.alignment.rounding`). A
       program that rounds rims off raises what lies inside of them, which the
       gap does not show: the bound allows for as much again as leaving the
       rims out moved the pose.
    7. Stated dimensions are observations like any other, of rectangular limits
       (`stated`); one that contradicts the rest grossly is told and left out.
    8. Poses are drawn from all this; of each, the largest displacement over the
       fragment's hull is taken, and of these the 95 % quantile (`bounds`). The
       worst point's own sigma times 1.96 would be too small.
    9. Faces that lie close say nothing of a layer that both lost in one
       direction, nor of a bend. Where the original surfaces step across the
       crack by more than their own bound, and by less than one and a half spacings, the
       step and its bound are added to the bound, plainly: its cause is unknown
       (`rejoin.core.stepped`). A size between two fragments does not follow it.
    Several fragments: the joint covariance of the whole adjustment, so that
    loops of joints help and chains add up. A size between two fragments
    follows from what of it they do not share (`jointly`). A loop that does
    not close within what this covariance allows is not adjusted but left open
    and told (`rejoin.core.alignment.loops`).

How it is checked
    Closed forms and Monte Carlo in ``tests/core/test_uncertainty.py``; over
    simulated scans of made castings, clean, worn and flat, by
    ``python -m tests.benchmarks.coverage``: the share of true errors within the
    bound, the bound over the error, the error over the noise limit.

Sources
    JCGM 100:2008 (the statement; rectangular limits, 4.3.7); Censi 2007
    (closed-form covariance of iterative closest point); Bonnabel, Barczyk and
    Goulette 2016 (valid for point to plane); Brossard, Bonnabel and Barrau 2020
    (its optimism); Rusinkiewicz 2019 (symmetric normals); Aitken 1935
    (generalised least squares), Hausman 1978 (one estimate tested by another),
    Patterson and Thompson 1971 (restricted likelihood) and Kuensch 1989 (block
    jackknife), all from memory. Where a constant comes
    from this program's own trials, it says so.
"""
