/* Reads lines "function argument argument …", prints the value: for comparison with another program. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "collector/catch/interval.h"
#include "collector/catch/proportion.h"
#include "collector/catch/quantile.h"

int main(void)
{
    char name[32];
    double a, b, low, high;
    while (scanf("%31s %lf %lf", name, &a, &b) == 3) {
        if (strcmp(name, "student") == 0) {
            printf("%.15g\n", quantile_student(a, b));
        } else if (strcmp(name, "gamma") == 0) {
            printf("%.15g\n", quantile_gamma(a, b));
        } else if (strcmp(name, "normal") == 0) {
            printf("%.15g\n", quantile_normal(a));
        } else if (strcmp(name, "beta") == 0) {
            printf("%.15g\n", quantile_beta_below(0.37, a, b));
        } else if (strcmp(name, "poisson") == 0) {
            catch_poisson_limits(a, &low, &high);
            printf("%.15g\n", b > 0 ? high : low);
        } else if (strcmp(name, "wilson") == 0) {
            proportion_limits(a, b, &low, &high);
            printf("%.15g\n", low + 1000 * high);
        } else {
            return 1;
        }
    }
    return 0;
}
