"""The room of estimation: what the logs say about mass, energy and fat, as a filter over days.

`estimate` holds the public functions; `filter` a day, with `measurement_update`, `time_update` and what the parts of
its `state` learn; `smoother` the way back; `outputs` and `results` what is reported; `model` and `prior` the constants.

The model
---------
One causal state-space model per athlete, in daily steps from morning to morning, filtered by an extended Kalman filter;
`revised` adds the smoother. States (`model` holds spreads, `prior` starting values):

| state       | unit      | from one morning to the next |
|-------------|-----------|------------------------------|
| tissue      | kg        | + c·θ·(intake + excess·unlogged − maintenance) + noise |
| maintenance | kcal/d    | + 18 kcal/kg · tissue change + response·reference·Δ(intake, 14 d) + walk (inflated) |
| θ transfer  | 1         | constant: the athlete's own kilograms per kilocalorie against c |
| response    | 1         | constant: share by which maintenance follows a lasting change of intake |
| excess      | 1         | slow walk: how unlogged food differs from logged food |
| water gain  | kg        | slow walk: water and glycogen per unit of relative intake |
| fluid       | kg        | ×0.93 + noise: salt, soreness, creatine, illness |
| gut         | kg        | ×0.55 + noise: gut content and the scale |
| scale       | kg        | constant: offset of another scale |
| week ×2, cycle ×2 | kg  | constant: cosine and sine of the weekly and the menstrual rhythm |

A weigh-in is tissue + water gain·w + fluid + gut + scale + rhythms + noise, where w follows relative intake (half by
energy, half by carbohydrate) with a lag of 1.3 days: so a phase switch moves water at once and tissue slowly.

Energy per kilogram. c = 0.9/(0.88·1.03·ρ): ρ by fat 39.5 and lean 7.6 MJ/kg (Hall 2008, 10.1038/sj.ijo.0803720) at the
lean share of Forbes (10.4/(10.4 + F)), ×0.75 in deficit and ×1.25 in surplus for people who lift (Garthe 2011); 0.9 for
the thermic effect of food, 1.03 for the cost of storing, 0.88 for what logs miss. θ has a spread of 20 %, so that what
nobody knows of partition and reporting is in every interval, and contrasts between phases may narrow it.

Maintenance is the intake that holds tissue mass, on the athlete's own logging scale. Prior: Mifflin–St Jeor × judged
activity × 0.88, 16 % wide; the target of a new phase is a further reading of it, 10–13 % wide and later 1.6 times that.
Its response to intake covers adaptive thermogenesis (0.14; Hall 2011, 10.1016/S0140-6736(11)60812-X) and less activity
in deficit (Racette 2012). Expenditure, on the true scale, divides by a reporting factor that logs cannot show
(0.88 ± 0.12): the distance from the prior is shared between both in proportion to their variances, the rest stays in
the interval.

Food days (`intake`). Complete: exact within 5 %. Fast: zero. Not logged: the athlete's usual share of the
target, ±18 % a day. Partial: the same, known to exceed the log. Meals without a word: whole or partial, by Bayes.

Process-noise inflation (`noise_adaptation`). While weigh-ins keep falling on one side of what the log makes expected,
maintenance's walk widens (up to 21 times its variance, four times that in a cut whose scale stays up): a new job, or a
cut given up without a word.

Suspect weigh-ins (`suspect_weigh_ins`). Student's t weights (4 degrees of freedom); beyond 3.5 kg and 6 standard
deviations a weigh-in is suspect and left out, unless suspect ones agree with each other and are no slip of unit or
decimal: then another scale is in use, or, in the first days, the first mass was wrong. A shift of 2 kg and more that
persists is followed as an alternative hypothesis and adopted on evidence (`scale_change`); the former one may come
back. Smaller shifts of a scale stay in the trend: they look like water.

Body fat is carried along by the same partition, from the regression on body mass index (Jackson 2002) lowered by
4 points for people who train, and from measurements, three quarters of whose error stays with the person: repeating a
tape does not make it exact, and one reading cannot move the estimate by its full error.

Average mass is what the mean of the last seven mornings would be without noise; the scale's rate is its change in a
week.

Assumed: one logging habit per athlete (its drift is maintenance's drift); no more than one new scale at a time;
activity falls with intake, not with the calendar. Valid for adults of 18–62 years who train.

Tried and rejected, each as one change, on 600 simulated athletes each of two worlds that share no code with this or
each other (`service/demo/world.py`, `tests/simulated/second_world.py`; mean CRPS of logged maintenance, kcal/d; this
model 70.5 and 76.0, harder sets 92.6): no inflation 72.0 and 76.3, and its intervals hold 88 to 90 % instead of 93 %,
81 % instead of 88 % on the harder sets, and 66 instead of 81 % of the cuts given up are found; no allowance for unsaid
partial days 74.7, 78.8; a response of maintenance fixed at 0.1 76.7, 80.5; no slow fluid 72.2, 78.0 (trend error 0.02
and 0.03 kg larger); θ known exactly 71.1, 77.0; a phase switch of 4.5 % instead of 2.5 % 70.6, 78.2; Forbes' lean share
unchanged 73.2 and 74.3: the second world's people keep to Forbes more closely. A scale on log odds of 9 and 1.2 kg: the
same, but trend error 0.02 kg larger, water taken for a scale. Plain methods are in tests/simulated/REPORT.md.
"""
